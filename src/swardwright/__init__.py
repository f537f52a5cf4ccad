"""Swardwright: from a robot's pictures of turf to weeds that are dead."""

__version__ = "0.1.0"
