"""The job in the GIS's window: open the plan, edit heads, run steps from the toolbox, a model and a batch; look again.

Runs in the window (``qgis.bin --code``); told what to do by the variable TOLD, it writes an answer and a picture.
"""

import json
import os
import sqlite3
import sys
import traceback

from qgis.core import (
    QgsApplication,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterFile,
    QgsProject,
)
from qgis.PyQt import sip
from qgis.PyQt.QtCore import QTimer
from qgis.utils import iface

TOLD = json.loads(os.environ["TOLD"])
PLAN = os.path.join(TOLD["out"], "plan.gpkg")


class Said(dict):
    """What was found so far; where the window is stuck, the last of it says where."""

    def __setitem__(self, name, value):
        super().__setitem__(name, value)
        print(name, value, file=sys.stderr, flush=True)


def tables():
    found = {}
    for layer in QgsProject.instance().mapLayers().values():
        found.setdefault(layer.source().split("layername=")[-1].split("|")[0], []).append(layer)
    return found


def low_heights():
    beams = tables()["beams"][0]
    return sorted({f[name] for f in beams.getFeatures("\"level\" = 'low'") for name in ("tx_height_m", "rx_height_m")})


def tree():
    root = QgsProject.instance().layerTreeRoot()
    return {
        "/".join(filter(None, (node.parent().parent().name() if node.parent().parent() else "", node.parent().name(),
                               node.name()))): node.itemVisibilityChecked()
        for node in root.findLayers()
    }  # fmt: skip


def edit(height):
    heads = tables()["heads"][0]
    heads.startEditing()
    field = heads.fields().indexOf("height_m")
    for feature in heads.getFeatures("\"level\" = 'low'"):
        heads.changeAttributeValue(feature.id(), field, height)
    return heads.commitChanges()


def model():
    """Lay out, look for gaps, take the stretches where somebody gets through: as the model designer makes it."""
    made = QgsProcessingModelAlgorithm("Through the fence", "mine")
    for name, behaviour in (("site", QgsProcessingParameterFile.File), ("folder", QgsProcessingParameterFile.Folder)):
        made.addModelParameter(QgsProcessingParameterFile(name, name, behaviour), QgsProcessingModelParameter(name))
    source = QgsProcessingModelChildParameterSource
    children = {}
    for name, algorithm, given in (
        (
            "first",
            "perimeter:layout",
            {"OUT": source.fromModelParameter("folder"), "KEEP": source.fromStaticValue(True)},
        ),
        ("second", "perimeter:gaps", {"OUT": source.fromChildOutput("first", "OUT")}),
    ):
        child = QgsProcessingModelChildAlgorithm(algorithm)
        child.setChildId(name)
        given |= {"SITE": source.fromModelParameter("site"), "OVERWRITE": source.fromStaticValue(True)}
        for key, value in given.items():
            child.addParameterSources(key, [value])
        children[name] = made.addChildAlgorithm(child)
    last = QgsProcessingModelChildAlgorithm("native:extractbyattribute")
    last.setChildId("third")
    for key, value in {
        "INPUT": source.fromChildOutput("second", "VERDICTS"),
        "FIELD": source.fromStaticValue("verdict"),
        "OPERATOR": source.fromStaticValue(0),
        "VALUE": source.fromStaticValue("undetected"),
    }.items():
        last.addParameterSources(key, [value])
    output = QgsProcessingModelOutput("through", "Through")
    output.setChildId("third")
    output.setChildOutputName("OUTPUT")
    last.setModelOutputs({"through": output})
    made.addChildAlgorithm(last)
    return made


def batch():
    """Two rows of the dialog for many runs, its own way."""
    from processing.gui.BatchAlgorithmDialog import BatchAlgorithmDialog

    dialog = BatchAlgorithmDialog(QgsApplication.processingRegistry().createAlgorithmById("perimeter:inspect"))
    panel = dialog.mainWidget()
    while panel.batchRowCount() < 2:
        panel.addRow()
    for row, folder in enumerate(TOLD["batch"]):
        for name, value in {"SITE": TOLD["site"], "OUT": folder, "OVERWRITE": False, "LOAD": False}.items():
            column = panel.column_to_parameter_definition
            at = next(c for c, n in column.items() if n == name)
            panel.wrappers[row][at].setParameterValue(value, panel.processing_context)
    dialog.runAlgorithm()
    return [os.path.exists(os.path.join(folder, "plan.gpkg")) for folder in TOLD["batch"]]


def play():
    import processing

    said = Said()
    project = QgsProject.instance()
    said["opened"] = project.read(f"geopackage:{PLAN}?projectName=plan")
    said["relations"] = sorted(project.relationManager().relations())
    for layers in tables().values():
        if layers[0].type() == 0:
            next(layers[0].getFeatures(), None)
    before = sorted(project.mapLayers())
    said["saved"] = edit(TOLD["height"])
    with open(PLAN, "rb") as held:
        said["mode"] = held.read(20)[18:20].hex()
    given = {"SITE": TOLD["site"], "OUT": TOLD["out"], "OVERWRITE": True}
    processing.run("perimeter:layout", {**given, "KEEP": True})
    processing.run("perimeter:gaps", given)
    said["same"] = sorted(project.mapLayers()) == before
    said["low"] = low_heights()
    said["valid"] = all(layer.isValid() for layer in project.mapLayers().values())
    said["verdicts"] = sum(layer.featureCount() for layer in tables()["verdicts"])
    posts = next(layer for layer in project.mapLayers().values() if layer.name() == "Posts")
    said["posts"] = posts.featureCount()
    iface.mapCanvas().refreshAllLayers()
    iface.mapCanvas().waitWhileRendering()
    QgsApplication.processEvents()
    iface.mainWindow().grab().save(TOLD["picture"])
    form = iface.getFeatureForm(tables()["heads"][0], next(tables()["heads"][0].getFeatures()))
    form.resize(700, 900)
    form.show()
    QgsApplication.processEvents()
    form.grab().save(TOLD["form"])
    form.close()
    # its widgets must not outlive the layers they show
    sip.delete(form)
    # an empty project takes in what a step wrote, grouped; run again, nothing stands there twice
    project.clear()
    processing.run("perimeter:gaps", given)
    said["first"] = list(tree())
    made = processing.run(model(), {"site": TOLD["site"], "folder": TOLD["out"], "third:through": "TEMPORARY_OUTPUT"})
    through = next(v for v in made.values() if hasattr(v, "featureCount"))
    said["through"] = sorted({f["verdict"] for f in through.getFeatures()})
    said["tree"] = tree()
    said["count"] = len(project.mapLayers())
    said["batch"] = batch()
    said["whole"] = sqlite3.connect(PLAN).execute("PRAGMA integrity_check").fetchone()[0]
    return said


def main():
    try:
        answer = play()
    except Exception:
        answer = {"error": traceback.format_exc()}
    end(answer)


def end(answer):
    with open(TOLD["answer"], "w") as stream:
        json.dump(answer, stream)
    # the GIS would ask whether to save
    os._exit(0)


def fault(kind, problem, trace):
    """What goes wrong in the plugin would else open a dialog, and wait for somebody to close it."""
    end({"error": "".join(traceback.format_exception(kind, problem, trace))})


sys.excepthook = fault
QTimer.singleShot(500, main)
