"""Layout: corridor, zones, heads and beams from the fence lines."""
