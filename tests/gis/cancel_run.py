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

from perimeter_geotools import client, provider  # noqa: E402

made = provider.algorithms([command], client.read_contract([command])["contract"])
algorithm = next(one for one in made if one.name() == "layout")
feedback = QgsProcessingFeedback()
feedback.progressChanged.connect(lambda percent: percent >= 3 and feedback.cancel())
started, said = time.monotonic(), ""
algorithm.initAlgorithm()
try:
    algorithm.run({"SITE": site, "OUT": out}, QgsProcessingContext(), feedback, {}, False)
except QgsProcessingException as problem:
    said = str(problem)
answer = {"said": said, "seconds": time.monotonic() - started, "progress": feedback.progress()}
print(json.dumps(answer))
sys.stdout.flush()
os._exit(0)
