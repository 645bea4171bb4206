"""The plan: its GeoPackage, the schema of every layer, zones and heads."""
