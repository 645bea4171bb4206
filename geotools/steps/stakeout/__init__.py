"""Stakeout: where each post stands, how high each head sits and where it looks."""
