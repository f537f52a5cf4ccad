"""``swardwright calibrate``: each kind of calibration lives in a module of its own, loaded when it is called."""

from __future__ import annotations

from typing import ClassVar

import click

from swardwright.shell.commanding import Commands


class _Calibrations(Commands):
    elsewhere: ClassVar = {
        "camera": ("swardwright.shell.calibrating_camera", "camera", "Find how a camera sees, and how well."),
        "mount": ("swardwright.shell.calibrating_mount", "mount", "Find where camera and head sit on the arm."),
        "aim": ("swardwright.shell.calibrating_aim", "aim", "Find where heat really lands, from scorch marks."),
        "ground": ("swardwright.shell.calibrating_ground", "ground", "Find how high and steep the ground is."),
    }


@click.group("calibrate", cls=_Calibrations)
def calibrate_group() -> None:
    """Calibrate camera, mount, aim and ground.

    Example: swardwright calibrate camera lawn board-pictures --board 9x6 --square 25mm
    """
