"""The local page."""

from swardwright.shell.web.serve import serve

__all__ = ["serve"]
