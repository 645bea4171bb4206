"""Operating window: what alarms though nobody intrudes, and the thresholds between that and the weakest crossing."""
