"""Remedies: what closes each dead spot, compared by price and proven by a new run of the model."""
