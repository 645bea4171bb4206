"""Export: the plan's layers for people without a GIS."""
