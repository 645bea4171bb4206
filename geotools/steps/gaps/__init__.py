"""Where a person gets through: detection floor, crawl gaps, dead spots, weakest crossings."""
