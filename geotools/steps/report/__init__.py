"""Report: the plan as sheets a person reads, in one HTML file and one PDF."""
