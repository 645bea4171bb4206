"""The whole job as an algorithm: on a site file, or on layers of the project, described in the dialog itself."""

import os

from qgis.core import QgsProcessingException

from .site_from_layers import DESCRIBING, SiteFromLayers
from .step import OUT, OVERWRITE, SITE, SITE_FILE, StepAlgorithm


class RunAlgorithm(StepAlgorithm):
    """Every step in order."""

    TITLE = "Run the whole job"

    def __init__(self, command, words, contract, loader=None):
        self.contract = contract
        ordered = sorted((s for s in contract["steps"] if s["order"] > 0), key=lambda s: (s["order"], s["name"]))
        self.ordered = ordered
        summary = (
            "Runs every step in order: " + ", ".join(s["name"] for s in ordered) + ". Give a site file; or a fence "
            "and a terrain model, with what is to be detected: a site file is then made in the folder of the plan, "
            "and the steps find it there."
        )
        about = {"name": "run", "title": self.TITLE, "summary": summary, "params": [], "inputs": []}
        super().__init__(command, words, {**about, "outputs": [], "files": [], "cautions": []}, loader)
        self.describing = SiteFromLayers(self, contract)

    def createInstance(self):
        """A fresh copy, as the GIS wants for each run."""
        return RunAlgorithm(self.command, self.say, self.contract, self.loader)

    def group(self):
        """Heading in the toolbox."""
        return "Job"

    def groupId(self):
        """Id of the heading."""
        return "job"

    def steps(self):
        """The steps this algorithm runs."""
        return self.ordered

    def add_own_parameters(self):
        """Declare what a site can be described by."""
        self.describing.add_parameters(optional=True)

    def checkParameterValues(self, parameters, context):
        """One of the two ways to say what the site is, and not both."""
        given = self.describing.given(parameters)
        if self.parameterAsFile(parameters, SITE, context):
            if given:
                return False, f"A site file says it all: leave out {', '.join(given)}, or the site file."
        elif not {"FENCE", "TERRAIN"} <= set(self.describing.ids(parameters)):
            out = self.parameterAsFile(parameters, OUT, context)
            if given or not os.path.isfile(os.path.join(out or "", SITE_FILE)):
                return False, "Give a site file; or both a fence and a terrain model."
        return super().checkParameterValues(parameters, context)

    def site_of(self, parameters, context, feedback, out):
        """The site file that was given, one made of the layers, or the one in the folder."""
        fine, words = self.checkParameterValues(parameters, context)
        if not fine:
            raise QgsProcessingException(words)
        if not set(DESCRIBING) & set(self.describing.ids(parameters)):
            return super().site_of(parameters, context, feedback, out)
        site = os.path.join(out, SITE_FILE)
        overwrite = self.parameterAsBoolean(parameters, OVERWRITE, context)
        self.describing.make(site, parameters, context, feedback, overwrite)
        return site
