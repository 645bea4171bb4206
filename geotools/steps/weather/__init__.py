"""Weather: at which rain, water, snow and grass a zone's operating window closes, and on how many days of a year."""
