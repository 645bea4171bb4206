"""Loads every layer of a plan in the desktop GIS as it opens, and renders them to a picture; prints what it found.

Runs under the GIS's own Python: ``python3 render_plan.py plan.gpkg picture.png [layer ...]``.
"""

import json
import os
import sys

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsProviderRegistry,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def main():
    plan, picture, wanted = sys.argv[1], sys.argv[2], sys.argv[3:]
    app = QgsApplication([], False)
    app.initQgis()
    found, shown = {}, []
    connection = QgsProviderRegistry.instance().providerMetadata("ogr")
    for sub in connection.querySublayers(plan):
        name = sub.name()
        layer = QgsVectorLayer(f"{plan}|layername={name}", name, "ogr")
        renderer = layer.renderer()
        found[name] = {
            "valid": layer.isValid(),
            "features": layer.featureCount(),
            "geometry": layer.isSpatial(),
            "crs": layer.crs().authid(),
            "title": layer.metadata().title(),
            "abstract": layer.metadata().abstract(),
            "renderer": renderer.type() if renderer else None,
            "legend": [item.label() for item in renderer.legendSymbolItems()] if renderer else [],
            "labels": layer.labelsEnabled(),
            "aliases": {f.name(): layer.attributeAlias(i) for i, f in enumerate(layer.fields())},
            "widgets": {f.name(): layer.editorWidgetSetup(i).type() for i, f in enumerate(layer.fields())},
            "comments": {f.name(): f.comment() or f.alias() for f in layer.fields()},
            "style": layer.listStylesInDatabase()[0],
        }
        if layer.isSpatial() and (not wanted or name in wanted):
            shown.append(layer)
            QgsProject.instance().addMapLayer(layer)
    order = {"Point": 0, "Line": 1, "Polygon": 2}
    shown.sort(key=lambda layer: (layer.geometryType(), order.get(layer.name(), 0)))
    settings = QgsMapSettings()
    settings.setLayers(shown)
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(1400, 1100))
    settings.setOutputDpi(120)
    settings.setDestinationCrs(shown[0].crs())
    extent = shown[0].extent()
    for layer in shown:
        if layer.featureCount():
            extent.combineExtentWith(layer.extent())
    extent.scale(1.1)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(picture, "PNG")
    print(json.dumps({"errors": [e.message for e in job.errors()], "layers": found}))
    sys.stdout.flush()
    # the GIS's own tear-down crashes without a window
    os._exit(0)


main()
