"""Loads the plugin's provider and plays algorithms one after another in one process; prints JSON.

Runs under the GIS's own Python: ``python3 play.py CALLS.json``; each call is ``[algorithm, parameters]``. What an
algorithm refuses ends neither the script nor the other calls.
"""

import json
import os
import sys
import time

from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingException, QgsProcessingFeedback

app = QgsApplication([], False)
app.initQgis()
sys.path.insert(0, os.environ["QGIS_PLUGINPATH"])
wall, processor = time.perf_counter(), time.process_time()
from perimeter_geotools.provider import PerimeterProvider  # noqa: E402

PROVIDER = PerimeterProvider()
QgsApplication.processingRegistry().addProvider(PROVIDER)
load = {"wall": time.perf_counter() - wall, "processor": time.process_time() - processor}


class Feedback(QgsProcessingFeedback):
    """Keeps what is said."""

    def __init__(self):
        super().__init__()
        self.said = []

    def pushInfo(self, text):
        self.said.append(text)

    def pushWarning(self, text):
        self.said.append(text)


def play(name, parameters):
    algorithm = PROVIDER.algorithm(name)
    made, context, feedback = algorithm.create(), QgsProcessingContext(), Feedback()
    fine, words = made.checkParameterValues(parameters, context)
    if not fine:
        return {"refused": words}
    try:
        results, done = made.run(parameters, context, feedback, {}, False)
    except QgsProcessingException as problem:
        return {"error": str(problem)}
    return {"results": results, "done": done, "said": feedback.said}


def shown(algorithm):
    return {
        "title": algorithm.displayName(),
        "can": algorithm.canExecute()[0],
        "help": algorithm.shortHelpString(),
        "options": algorithm.options({}, QgsProcessingContext()) if hasattr(algorithm, "options") else [],
        "parameters": {
            p.name(): {"help": p.help(), "optional": bool(p.flags() & p.FlagOptional), "kind": p.type()}
            for p in algorithm.parameterDefinitions()
        },
        "outputs": {o.name(): o.type() for o in algorithm.outputDefinitions()},
    }


with open(sys.argv[1], encoding="utf-8") as stream:
    calls = json.load(stream)
answers = [play(name, parameters) for name, parameters in calls]
listed = {algorithm.name(): shown(algorithm) for algorithm in PROVIDER.algorithms()}
print(json.dumps({"load": load, "algorithms": listed, "warning": PROVIDER.warningMessage(), "answers": answers}))
sys.stdout.flush()
# the GIS's own tear-down crashes without a window
os._exit(0)
