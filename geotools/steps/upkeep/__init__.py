"""Upkeep: dated care of every head, and what the choices cost over the life."""
