"""Shows results in the project: layers that are there are refreshed in place, others are added in the plan's groups."""

import os

from qgis.core import QgsLayerTreeGroup, QgsMapLayerType, QgsProject, QgsVectorLayer
from qgis.PyQt.QtCore import QObject, pyqtSignal

PLAN = "plan.gpkg"


def source_of(layer):
    """File, layer of it, and its filter or of a raster its band, as far as a layer has them."""
    path, *parts = layer.source().split("|")
    told = dict(part.partition("=")[::2] for part in parts)
    band = getattr(layer.renderer(), "band", None) if layer.type() == QgsMapLayerType.RasterLayer else None
    part = str(band()) if band else told.get("subset", "")
    return os.path.normpath(os.path.abspath(path)), told.get("layername", ""), part


def place_before(parent, names):
    """Index in a group before the first child of one of these names; at the end where there is none."""
    children = parent.children()
    return next((i for i, node in enumerate(children) if node.name() in names), len(children))


class Loader(QObject):
    """Lives in the window's thread; from another one its signal waits until the window has time."""

    #: folder of the plan, names of layers, names of rasters
    wanted = pyqtSignal(str, list, list)

    def __init__(self):
        super().__init__()
        self.wanted.connect(self.load)

    def load(self, folder, layers, rasters):
        """Refresh what the project has of these results, and add the rest."""
        project = QgsProject.instance()
        plan = os.path.normpath(os.path.abspath(os.path.join(folder, PLAN)))
        files = {os.path.normpath(os.path.abspath(os.path.join(folder, name))) for name in rasters}
        every = list(project.mapLayers().values())
        for layer in every:
            # all of the plan's: the file as it was opened is no longer there
            if source_of(layer)[0] == plan or source_of(layer)[0] in files:
                refresh(layer)
        known = {source_of(layer) for layer in every if self._is_of(layer, plan, set(layers), files)}
        stored = QgsProject()
        if stored.read(f"geopackage:{plan}?projectName=plan"):
            self._add(project, stored, (plan, set(layers), files), known)
        named = {source[1] for source in known if source[1]}
        for name in layers:
            if name not in named:
                self._add_alone(project, plan, name)

    def _is_of(self, layer, plan, names, files):
        path, name, _ = source_of(layer)
        return (path == plan and name in names) or path in files

    def _add(self, project, stored, wanted, known):
        """Add what the stored project shows of the results, in its groups and their order; note it in ``known``."""
        plan, names, files = wanted
        order = [group.name() for group in stored.layerTreeRoot().findGroups()]
        for group in stored.layerTreeRoot().findGroups():
            # a node goes when its layer is taken
            nodes = [(node.layer(), node.itemVisibilityChecked()) for node in group.findLayers()]
            titles = [layer.name() for layer, _ in nodes if layer is not None]
            for layer, shown in nodes:
                if layer is None or not layer.isValid() or not self._is_of(layer, plan, names, files):
                    continue
                if source_of(layer) in known:
                    continue
                known.add(source_of(layer))
                # one of that name may be there, of another plan of the same make
                taken = layer.clone() if layer.id() in project.mapLayers() else stored.takeMapLayer(layer)
                target = self._group(project, plan, stored.title(), (group, order))
                project.addMapLayer(taken, False)
                later = set(titles[titles.index(taken.name()) + 1 :])
                target.insertLayer(place_before(target, later), taken).setItemVisibilityChecked(shown)
        relations = project.relationManager()
        for relation in stored.relationManager().relations().values():
            ends = {relation.referencedLayerId(), relation.referencingLayerId()}
            if ends <= set(project.mapLayers()) and relation.id() not in relations.relations():
                relations.addRelation(relation)

    def _group(self, project, plan, title, wanted):
        """The group of that name for this plan: where others of its layers stand, or under the site's name.

        Groups keep their order: what stands lower is drawn under what stands above it.
        """
        group, order = wanted
        root = project.layerTreeRoot()
        own = [node for node in root.findLayers() if node.layer() and source_of(node.layer())[0] == plan]
        parent = own[0].parent().parent() if own and own[0].parent() is not root else None
        if parent is None:
            parent = root.findGroup(title) or root.insertGroup(0, title)
        siblings = [node for node in parent.children() if isinstance(node, QgsLayerTreeGroup)]
        found = next((node for node in siblings if node.name() == group.name()), None)
        if found is None:
            later = set(order[order.index(group.name()) + 1 :])
            found = parent.insertGroup(place_before(parent, later), group.name())
            found.setExpanded(group.isExpanded())
        return found

    def _add_alone(self, project, plan, name):
        """Add a layer that the stored project does not show, as it opens."""
        layer = QgsVectorLayer(f"{plan}|layername={name}", name, "ogr")
        if layer.isValid():
            layer.setName(layer.metadata().title() or name)
            project.addMapLayer(layer)


def refresh(layer):
    """Have a layer show what stands in its file now; one with edits that are not saved keeps them."""
    if getattr(layer, "isEditable", lambda: False)():
        return
    layer.dataProvider().reloadData()
    layer.triggerRepaint()
