"""Files of strangers: opened safely, read, written; systems, units, tables, and results put in place as one."""
