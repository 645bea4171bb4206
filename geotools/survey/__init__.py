"""Terrain models from what surveys deliver: lidar points, measured points and breaklines, triangle surfaces, rasters.

`points` holds what all readers give; `lidar`, `measured` and `surface` read; `tin` grids arrays; `seam` joins rasters;
`dtm` puts it together into one GeoTIFF with its density told; `command` is what the command line shows.
"""
