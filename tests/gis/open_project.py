"""Opens the project of a plan in the desktop GIS, says what it finds and draws it; prints JSON.

Runs under the GIS's own Python: ``python3 open_project.py plan.gpkg picture.png [scale]``.
"""

import json
import os
import sys

from qgis.core import (
    QgsApplication,
    QgsExpression,
    QgsExpressionContext,
    QgsExpressionContextUtils,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def tip(layer):
    """The map tip of a layer's first feature, as the window would show it."""
    feature = next(layer.getFeatures(), None)
    if feature is None:
        return None
    context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
    context.setFeature(feature)
    return QgsExpression.replaceExpressionText(layer.mapTipTemplate(), context)


def main():
    plan, picture = sys.argv[1:3]
    app = QgsApplication([], False)
    app.initQgis()
    project = QgsProject.instance()
    opened = project.read(f"geopackage:{plan}?projectName=plan")
    root = project.layerTreeRoot()
    groups = {
        group.name(): [
            {
                "title": node.name(),
                "id": node.layerId(),
                "on": node.isVisible(),
                "valid": node.layer().isValid(),
                "source": node.layer().source(),
                "scale": node.layer().minimumScale() if node.layer().hasScaleBasedVisibility() else 0,
                "renderer": node.layer().renderer().type() if node.layer().renderer() else None,
                "tip": tip(node.layer()) if node.layer().type() == 0 else None,
            }
            for node in group.findLayers()
        ]
        for group in root.findGroups()
    }
    shown = [layer for layer in root.layerOrder() if root.findLayer(layer).isVisible()]
    view = project.viewSettings().defaultViewExtent()
    settings = QgsMapSettings()
    settings.setLayers(shown)
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(1400, 1100))
    settings.setOutputDpi(120)
    settings.setDestinationCrs(project.crs())
    settings.setExtent(view)
    if len(sys.argv) > 3:
        box = settings.visibleExtent()
        box.scale(float(sys.argv[3]) / settings.scale())
        settings.setExtent(box)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(picture, "PNG")
    answer = {
        "opened": opened,
        "error": project.error(),
        "title": project.title(),
        "crs": project.crs().authid(),
        "groups": groups,
        "order": [layer.id() for layer in root.layerOrder()],
        "errors": [e.message for e in job.errors()],
        "scale": settings.scale(),
        "view": [view.xMinimum(), view.yMinimum(), view.xMaximum(), view.yMaximum()],
    }
    if os.environ.get("SAVE_PROJECT"):
        project.setTitle("Changed by a person")
        answer["saved"] = project.write()
    print(json.dumps(answer))
    sys.stdout.flush()
    # the GIS's own tear-down crashes without a window
    os._exit(0)


main()
