"""Where beams, zones and heads stand."""
