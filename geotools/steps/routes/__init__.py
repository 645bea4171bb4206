"""Cable routes: trenches from the source points to every post, and what reaches it."""
