"""Gives two layers of a plan a person's own style as their default, as the GIS's own dialog does; prints JSON.

Runs under the GIS's own Python: ``python3 own_style.py plan.gpkg save|look``. Both times it says how the layers open:
kind of renderer, colour, and the heading of the second field.
"""

import json
import os
import sys

from qgis.core import QgsApplication, QgsFillSymbol, QgsLineSymbol, QgsSingleSymbolRenderer, QgsVectorLayer
from qgis.PyQt.QtCore import QTimer
from qgis.PyQt.QtWidgets import QApplication, QMessageBox

#: Under which name each style is saved: of its layer, as the dialog offers it, and of somebody's choice.
NAMES = {"dead_spots": "", "verdicts": "night shift"}
asked = []


def answer_yes():
    """The GIS asks before it saves over a style of the same name."""
    box = QApplication.activeModalWidget()
    if isinstance(box, QMessageBox):
        asked.append(box.text())
        box.button(QMessageBox.Yes).click()


def main():
    plan, what = sys.argv[1:3]
    app = QgsApplication([], True)
    app.initQgis()
    timer = QTimer()
    timer.timeout.connect(answer_yes)
    timer.start(100)
    said = {"problems": []}
    for name, style in NAMES.items():
        layer = QgsVectorLayer(f"{plan}|layername={name}", name, "ogr")
        if what == "save":
            kind = QgsFillSymbol if layer.geometryType() == 2 else QgsLineSymbol
            layer.setRenderer(QgsSingleSymbolRenderer(kind.createSimple({"color": "#12ab34"})))
            layer.setFieldAlias(1, "my words")
            said["problems"].append(layer.saveStyleToDatabase(style, "by a person", True, ""))
            layer = QgsVectorLayer(f"{plan}|layername={name}", name, "ogr")
        renderer = layer.renderer()
        colour = renderer.symbol().color().name() if renderer.type() == "singleSymbol" else ""
        said[name] = [renderer.type(), colour, layer.attributeAlias(1)]
    print(json.dumps(said | {"asked": len(asked)}))
    sys.stdout.flush()
    # the GIS's own tear-down crashes without a window
    os._exit(0)


main()
