"""The plan as one map: a project for the desktop GIS, stored in the plan itself and written without the GIS."""

from __future__ import annotations

from geotools.plan.project.store import PROJECT_NAME, write_project

__all__ = ["PROJECT_NAME", "write_project"]
