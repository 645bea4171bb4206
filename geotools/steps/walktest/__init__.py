"""Walk test: which crossings to walk, and what their results demonstrate."""
