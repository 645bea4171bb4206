"""Head heights: the pair of heights, within limits, that clears the most of each zone."""
