"""A layer that counts how often it is looked through, for tests of work that must not grow with zones times rows."""

import geopandas as gpd

__all__ = ["CountedFrame"]


class CountedFrame(gpd.GeoDataFrame):
    """A frame that counts how often a column of all its rows is looked up; one count for all frames."""

    looks = 0

    def __getitem__(self, key):
        CountedFrame.looks += 1
        return super().__getitem__(key)
