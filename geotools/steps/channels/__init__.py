"""Channels: which zones share one, by the interference between them."""
