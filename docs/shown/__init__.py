"""What the documentation shows: its commands played from an empty folder, their output and pictures compared or renewed."""
