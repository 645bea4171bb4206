"""A site described in a dialog: fence and terrain layers, threats, threshold, side, accuracy, prices."""

import os
from contextlib import contextmanager

from qgis.core import (
    QgsFeatureRequest,
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsVectorFileWriter,
)

from .algorithm import id_of, label_of, parameter_of

FENCE, TERRAIN, NAME, THREATS = "FENCE", "TERRAIN", "NAME", "THREATS"
DESCRIBING = (FENCE, TERRAIN)
#: Prices stand together, and last.
_PRICES = "prices"


class SiteFromLayers:
    """The parameters that describe a site, and the site file made of them.

    algorithm : they belong to. contract : the command's, with its catalogues and settings.
    """

    def __init__(self, algorithm, contract):
        self.algorithm = algorithm
        self.threats = [row["name"] for row in contract.get("catalogues", {}).get("targets", [])]
        self.settings = {}
        for setting in contract.get("settings", []):
            priced = setting["section"] == _PRICES
            name = f"price_{setting['name']}" if priced else setting["name"]
            self.settings[id_of(name)] = {**setting, "label": name, "priced": priced}

    def add_parameters(self, optional):
        """Declare them; ``optional`` where a site file may be given instead."""
        add = self.algorithm.addParameter
        kinds = [QgsProcessing.TypeVectorLine, QgsProcessing.TypeVectorPolygon]
        fence = QgsProcessingParameterFeatureSource(FENCE, "Fence", kinds, None, optional)
        fence.setHelp("Lines, or areas whose outlines are the fence; the selected features where some are selected.")
        add(fence)
        add(QgsProcessingParameterRasterLayer(TERRAIN, "Terrain model", None, optional))
        add(QgsProcessingParameterString(NAME, "Name of the site", None if optional else "New site", False, optional))
        given = None if optional else ["walk", "crawl", "prone"]
        threats = QgsProcessingParameterEnum(THREATS, "Threats", self.threats, True, given, optional, True)
        threats.setHelp("Names of targets: " + ", ".join(self.threats) + ". Left out: walk, crawl, prone.")
        add(threats)
        for name, setting in self.settings.items():
            made = parameter_of(
                {
                    **setting,
                    "name": setting["label"],
                    "default": None,
                    "minimum": setting["least"],
                    "maximum": setting["most"],
                    "help": self._help(setting),
                }
            )
            made.setName(name)
            made.setDescription(label_of({"name": setting["label"], "unit": setting["unit"]}))
            if setting["priced"]:
                made.setFlags(made.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
            add(made)

    def _help(self, setting):
        default = "" if setting["default"] is None else f" Left out: {setting['default']}"
        source = f" ({setting['source']})" if default and setting["source"] else ""
        return setting["help"][:1].upper() + setting["help"][1:] + "." + (f"{default}{source}." if default else "")

    def ids(self, parameters):
        """The parameters that were given."""
        names = (FENCE, TERRAIN, NAME, THREATS, *self.settings)
        return [name for name in names if parameters.get(name) not in (None, "", [])]

    def given(self, parameters):
        """Their headings."""
        return [self.algorithm.parameterDefinition(name).description() for name in self.ids(parameters)]

    def make(self, site, parameters, context, feedback, overwrite):
        """Write the site file and the fence beside it: both, or nothing."""
        read = self.algorithm
        source = read.parameterAsSource(parameters, FENCE, context)
        terrain = read.parameterAsRasterLayer(parameters, TERRAIN, context)
        if source is None or terrain is None:
            raise QgsProcessingException("Give a layer of lines or areas as fence and a raster layer as terrain model.")
        fence = os.path.splitext(site)[0] + "_fence.gpkg"
        for path in (site, fence):
            if os.path.exists(path) and not overwrite:
                raise QgsProcessingException(f"There is a file already: {path}. Tick the box to replace it.")
        words = ["new", site, "--name", read.parameterAsString(parameters, NAME, context) or "New site"]
        words += ["--fence", fence, "--terrain", terrain.source().split("|")[0]]
        for threat in read.parameterAsEnumStrings(parameters, THREATS, context):
            words += ["--threat", threat]
        for name in self.ids(parameters):
            if name in self.settings:
                words += ["--set", self._setting(name, parameters, context)]
        with put_back(fence), made_folder(os.path.dirname(os.path.abspath(site))):
            _save(source, fence, context)
            read.call([*words, "--if-sound", "--json", *(["--overwrite"] if overwrite else [])], feedback)

    def _setting(self, name, parameters, context):
        setting = self.settings[name]
        if setting["kind"] == "real":
            value = repr(self.algorithm.parameterAsDouble(parameters, name, context))
        elif setting["kind"] == "choice":
            value = self.algorithm.parameterAsEnumString(parameters, name, context)
        else:
            value = self.algorithm.parameterAsString(parameters, name, context)
        return f"{setting['section']}.{setting['name']}={value}"


@contextmanager
def put_back(path):
    """Where what is done with a file fails, it is as it was before."""
    before = path + ".before"
    held = os.path.exists(path)
    if held:
        os.replace(path, before)
    try:
        yield
    except BaseException:
        for left in (path, path + "-wal", path + "-shm", path + "-journal"):
            if os.path.exists(left):
                os.remove(left)
        if held:
            os.replace(before, path)
        raise
    if held:
        os.remove(before)


@contextmanager
def made_folder(folder):
    """A folder for what is written; taken away again where that fails and nothing else is in it."""
    new = []
    while not os.path.isdir(folder):
        new.append(folder)
        folder = os.path.dirname(folder)
    for one in reversed(new):
        os.mkdir(one)
    try:
        yield
    except BaseException:
        for one in new:
            if not os.listdir(one):
                os.rmdir(one)
        raise


def _save(source, path, context):
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "GPKG"
    options.layerName = "fence"
    layer = source.materialize(QgsFeatureRequest())
    code, message, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(layer, path, context.transformContext(), options)
    if code != QgsVectorFileWriter.NoError:
        raise QgsProcessingException(f"The fence could not be saved to {path}: {message}")
