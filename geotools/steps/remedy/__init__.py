"""Remedies: what closes each dead spot, compared by price and run again with all zones as proposed."""
