"""The simulated robot's true lens is drawn from what the camera file states."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from little_site import small_scenario  # type: ignore[import-not-found,unused-ignore]

from swardwright.simulation.machine import SimulatedRobot


def test_the_true_lens_is_drawn_from_the_camera_file(tmp_path: Path) -> None:
    site = small_scenario(tmp_path, 7)
    camera = site.rig.camera
    assert np.array_equal(SimulatedRobot(tmp_path, site).true_camera.distortion, camera.distortion)
    spread = np.diag([1.0, 1.0, 1.0, 1.0, *np.square([1e-3, 2e-3, 1e-4, 1e-4, 1e-3])])
    lens = dataclasses.replace(site.rig, camera=dataclasses.replace(camera, covariance=spread))
    true = SimulatedRobot(tmp_path, dataclasses.replace(site, rig=lens)).true_camera
    off = np.array([true.fx_px - camera.fx_px, true.fy_px - camera.fy_px, true.cx_px - camera.cx_px,
                    true.cy_px - camera.cy_px, *(true.distortion - camera.distortion)[:5]])  # fmt: skip
    in_sigmas = off / np.sqrt(np.diag(spread))
    assert (in_sigmas != 0).all()
    assert np.abs(in_sigmas).max() < 4  # nine draws of a normal: beyond 4 in 6e-4 of the seeds
