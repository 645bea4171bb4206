"""The plugin: it does nothing but add the provider."""

from qgis.core import QgsApplication

from .provider import PerimeterProvider


class PerimeterPlugin:
    """Adds the Processing provider and takes it away again."""

    def __init__(self):
        self.provider = None

    def initProcessing(self):
        """Add the provider; called alone when there is no window."""
        self.provider = PerimeterProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        """Add the provider in a window."""
        self.initProcessing()

    def unload(self):
        """Take the provider away."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
