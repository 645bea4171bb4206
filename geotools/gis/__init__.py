"""The desktop GIS: a Processing provider made from the same declarations as the command line, and its installer."""
