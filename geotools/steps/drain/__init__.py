"""Water: where it stands and where it crosses the beams, now and after grading."""
