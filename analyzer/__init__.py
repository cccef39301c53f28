"""Roll gradient, bottoming and load share from on-car logs, set against the fitted anti-roll bar."""

__version__ = "0.1.0"
