"""The step `explore`: the plan as one page to look at."""
