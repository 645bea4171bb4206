"""What the GIS's own plugin installer says of an installed plugin; prints JSON.

Runs under the GIS's own Python: ``python3 installed_zip.py FOLDER NAME``.
"""

import json
import sys

from qgis.core import QgsApplication
from qgis.PyQt.QtGui import QIcon

sys.path.insert(0, "/usr/share/qgis/python")
from pyplugin_installer.installer_data import plugins

folder, name = sys.argv[1:]
app = QgsApplication([], True)
app.initQgis()
found = plugins.getInstalledPlugin(name, f"{folder}/{name}", False)
told = {key: found[key] for key in ("error", "error_details", "name", "tracker")}
told["version"] = found["version_installed"]
told["icon_reads"] = not QIcon(found["icon"]).pixmap(16, 16).isNull()
print(json.dumps(told))
