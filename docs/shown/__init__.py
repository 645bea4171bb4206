"""What the documentation shows: commands played from an empty folder, output and pictures compared or renewed."""
