"""Starts the layout in the GIS and cancels it as soon as it reports progress; prints what happened.

Runs under the GIS's own Python: ``python3 cancel_run.py COMMAND SITE OUT``.
"""

import json
import os
import sys
import time

from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingException, QgsProcessingFeedback

command, site, out = sys.argv[1:4]
sys.path.insert(0, os.environ["QGIS_PLUGINPATH"])
app = QgsApplication([], False)
app.initQgis()

from perimeter_geotools import client  # noqa: E402
from perimeter_geotools.algorithm import StepAlgorithm  # noqa: E402

step = next(s for s in client.read_contract([command])["steps"] if s["name"] == "layout")
feedback = QgsProcessingFeedback()
feedback.progressChanged.connect(lambda percent: percent >= 3 and feedback.cancel())
started, cancelled = time.monotonic(), False
algorithm = StepAlgorithm([command], step)
algorithm.initAlgorithm()
try:
    algorithm.run({"SITE": site, "OUT": out}, QgsProcessingContext(), feedback, {}, False)
except QgsProcessingException as problem:
    cancelled = "Stopped" in str(problem)
answer = {"cancelled": cancelled, "seconds": time.monotonic() - started, "progress": feedback.progress()}
print(json.dumps(answer))
sys.stdout.flush()
os._exit(0)
