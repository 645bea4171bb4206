"""Prints the A3 layout of a plan's project in the desktop GIS; prints JSON.

Runs under the GIS's own Python: ``python3 print_layout.py plan.gpkg picture.png``.
"""

import json
import os
import sys

from qgis.core import (
    QgsApplication,
    QgsLayoutExporter,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemScaleBar,
    QgsProject,
)


def main():
    plan, picture = sys.argv[1:3]
    app = QgsApplication([], False)
    app.initQgis()
    project = QgsProject.instance()
    project.read(f"geopackage:{plan}?projectName=plan")
    (layout,) = project.layoutManager().printLayouts()
    items = layout.items()
    (drawn,) = [item for item in items if isinstance(item, QgsLayoutItemMap)]
    (legend,) = [item for item in items if isinstance(item, QgsLayoutItemLegend)]
    (bar,) = [item for item in items if isinstance(item, QgsLayoutItemScaleBar)]
    size = layout.pageCollection().page(0).pageSize()
    settings = QgsLayoutExporter.ImageExportSettings()
    settings.dpi = 100
    code = QgsLayoutExporter(layout).exportToImage(picture, settings)
    answer = {
        "name": layout.name(),
        "page": [size.width(), size.height()],
        "scale": drawn.scale(),
        "linked": [legend.linkedMap() is drawn, bar.linkedMap() is drawn],
        "bar": [bar.unitsPerSegment(), bar.numberOfSegments()],
        "legend": [legend.pos().y() + legend.rect().height(), bar.pos().y()],
        "code": int(code),
    }
    print(json.dumps(answer))
    sys.stdout.flush()
    # the GIS's own tear-down crashes without a window
    os._exit(0)


main()
