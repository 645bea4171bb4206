"""As built: a second survey against the design, and the detection run again on what was built."""
