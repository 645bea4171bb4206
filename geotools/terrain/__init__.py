"""The ground: existing and proposed, from rasters, lidar, points and breaklines."""
