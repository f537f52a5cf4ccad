"""A camera file that states the lens's covariance: nine columns all the way to the ground."""

import math

import numpy as np

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.poses import Pose
from swardwright.domain.site import ErrorSources, Rig
from swardwright.locating import locate

URDF = """<robot name="r"><link name="base_link"/><link name="eye"/><joint name="j" type="revolute">
<parent link="base_link"/><child link="eye"/><axis xyz="0 0 1"/><limit lower="-1" upper="1" velocity="1" effort="1"/>
</joint></robot>"""
LENS = np.array([-0.12, 0.03, 5e-4, -5e-4, 0.01])
SIGMA = np.array([0.8, 0.8, 0.6, 0.6, 2e-3, 6e-3, 1e-4, 1e-4, 5e-3])


def test_the_lens_error_reaches_the_ground() -> None:
    """Covariance of the ground point against 8000 drawn cameras; a variance is good to 1.6 %, checked at 5 %."""
    rng = np.random.default_rng(2)
    camera = Camera(1280, 960, 900.0, 905.0, 641.0, 478.0, LENS, np.diag(SIGMA**2))
    nothing = ErrorSources(*[0.0] * 13)
    rig = Rig(arm_from_urdf(URDF), camera, "eye", None, None, None, None, nothing, (), (), ())  # type: ignore[arg-type]
    pose = Pose.from_rpy("ground", "camera", (0.0, 0.0, 1.0), (math.pi - 0.2, 0.1, 0.0))
    frame = Frame("r/00000", "r", 0, "p", (1280, 960), ground_from_camera=pose)
    pixel = np.array([1150.0, 870.0])
    sighting = locate([frame], [Detection("r/00000#0", "r/00000", *pixel, 20.0, 0.9, (("dandelion", 1.0),))], rig)[0]
    error = next(e for e in sighting.errors if e.source == "intrinsics")
    assert error.jacobian.shape == (2, 9)
    assert error.covariance.shape == (9, 9)
    points = np.empty((8_000, 2))
    for i, step in enumerate(rng.normal(size=(len(points), 9)) * SIGMA):
        ray = pose.rotation @ [*camera.perturbed(step).unproject(pixel[None])[0][0], 1.0]
        points[i] = -ray[:2] / ray[2]
    drawn = np.cov(points.T)
    scale = np.sqrt(np.outer(np.diag(drawn), np.diag(drawn)))
    assert np.abs((error.ground_covariance_m2 - drawn) / scale).max() < 0.05
    centre_only = error.jacobian[:, :4] @ np.diag(SIGMA[:4] ** 2) @ error.jacobian[:, :4].T
    assert np.trace(centre_only) < 0.9 * np.trace(drawn)  # in the corner the lens matters
