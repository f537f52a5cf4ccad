"""From a robot's pictures of turf to weeds that are dead: find, locate, plan, heat under interlocks, measure.

The public names are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

#: public name -> module that holds it
_HOMES = {
    # the steps, in the order of the work
    "read": "swardwright.footage",
    "choose_frames": "swardwright.frames",
    "load_detector": "swardwright.learning",
    "detect": "swardwright.learning",
    "locate": "swardwright.locating",
    "looks": "swardwright.locating",
    "merge": "swardwright.merging",
    "aims": "swardwright.merging",
    "plan_round": "swardwright.planning",
    "survey_lanes": "swardwright.planning",
    "grant": "swardwright.running",
    "supervise": "swardwright.running",
    "score": "swardwright.scoring",
    # a site on disk
    "open_site": "swardwright.shell.open_site",
    # what they speak of
    "Frame": "swardwright.domain.frame",
    "Detection": "swardwright.domain.frame",
    "Sighting": "swardwright.domain.weed",
    "Weed": "swardwright.domain.weed",
    "Register": "swardwright.domain.weed",
    "Plan": "swardwright.domain.plan",
    "Permit": "swardwright.domain.permit",
    "RoundRecord": "swardwright.domain.event",
    "Outcome": "swardwright.domain.outcome",
    "Site": "swardwright.domain.site",
    "Robot": "swardwright.domain.robot",
    "SwardwrightError": "swardwright.domain.errors",
}

__all__ = sorted([*_HOMES, "__version__"])


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module 'swardwright' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """Return the public names."""
    return __all__
