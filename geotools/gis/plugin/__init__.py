"""Entry point that the desktop GIS looks for."""


def classFactory(iface):
    """Make the plugin; ``iface`` is None under the process runner, which has no window."""
    from .plugin import PerimeterPlugin

    return PerimeterPlugin()
