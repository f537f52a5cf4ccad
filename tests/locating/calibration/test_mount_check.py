"""A wrong mount is named; a sound one is not called wrong; what the views leave open is no reason to accuse."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks._mount_cases import PLANTED, planted_case, random_case

from swardwright.domain.poses import quaternion_from_rotation, rotation_from_quaternion, rotation_from_vector
from swardwright.locating.calibration.mount_check import diagnose_mount

SIGMA = np.array([0.01] * 3 + [0.004] * 3)


def other(claim: np.ndarray, wrong: str) -> np.ndarray:
    out = claim.copy()
    turn = claim[:3, :3]
    if wrong == "turned 90 degrees about the optical axis":
        out[:3, :3] = turn @ np.array([[0, 1.0, 0], [-1, 0, 0], [0, 0, 1]])
    elif wrong == "link axes given for optical axes":  # x forward, y left, z up: REP-103
        out[:3, :3] = np.stack([turn[:, 2], -turn[:, 0], -turn[:, 1]], axis=1)
    elif wrong == "metres for millimetres":
        out[:3, 3] /= 1000
    elif wrong == "rotation transposed":
        out[:3, :3] = turn.T
    elif wrong == "quaternion x y z w read as w x y z":
        w, x, y, z = quaternion_from_rotation(turn)
        out[:3, :3] = rotation_from_quaternion((x, y, z, w))
    elif wrong == "mirrored":
        out[:3, 1] *= -1
    elif wrong == "not a rotation":
        out[:3, :3] = turn * 1.4
    return out


@pytest.mark.parametrize("wrong", PLANTED)
def test_a_planted_mistake_is_named(wrong: str) -> None:
    rng = np.random.default_rng(31)
    for _ in range(6):
        case = planted_case(rng, wrong)
        verdict = diagnose_mount(case.views, case.camera, case.noise, case.claimed, np.diag(case.sigma**2))
        assert verdict.name == wrong
        assert verdict.remedy
        assert not verdict.sound


def test_a_sound_mount_is_sound() -> None:
    rng = np.random.default_rng(32)
    for _ in range(15):
        case = planted_case(rng, "")
        verdict = diagnose_mount(case.views, case.camera, case.noise, case.claimed, np.diag(case.sigma**2))
        assert verdict.sound, verdict.sentence


@pytest.mark.parametrize(
    "wrong",
    [
        "turned 90 degrees about the optical axis", "link axes given for optical axes", "metres for millimetres",
        "rotation transposed", "quaternion x y z w read as w x y z", "mirrored", "not a rotation",
    ],
)  # fmt: skip
def test_other_mistakes_are_named(wrong: str) -> None:
    case = random_case(np.random.default_rng(33), 12)
    verdict = diagnose_mount(case.views, case.camera, case.noise, other(case.claimed, wrong), SIGMA)
    assert verdict.name == wrong


def test_two_mistakes_at_once_are_named() -> None:
    case = random_case(np.random.default_rng(34), 12)
    claim = np.linalg.inv(case.claimed)
    claim[:3, 3] *= 1000
    verdict = diagnose_mount(case.views, case.camera, case.noise, claim, SIGMA)
    assert set(verdict.name.split(" and ")) == {"inverted", "millimetres for metres"}


def test_a_slipped_camera_is_just_off() -> None:
    case = random_case(np.random.default_rng(35), 12, None, 5e-4, 0.0, 0.2, 0.0)
    slipped = case.link_from_camera.perturbed([0.25, 0.1, -0.1, 0.03, 0.0, 0.02]).matrix
    verdict = diagnose_mount(case.views, case.camera, case.noise, slipped, SIGMA)
    assert verdict.name == "off"
    # a rotation vector's length is the angle; the shift is hypot(30, 20) mm: 36 mm
    assert verdict.off_rad == pytest.approx(np.linalg.norm([0.25, 0.1, -0.1]), abs=5e-3)
    assert "36 mm" in verdict.sentence or "37 mm" in verdict.sentence or "35 mm" in verdict.sentence


def test_what_the_views_leave_open_is_not_called_wrong() -> None:
    case = random_case(np.random.default_rng(3), 8, (5,), 1e-3, 0.0, 0.2, 0.5)
    verdict = diagnose_mount(case.views, case.camera, case.noise, case.claimed, case.sigma)
    assert verdict.sound
    assert "open" in verdict.sentence
    tilted = case.claimed.copy()
    tilted[:3, :3] = rotation_from_vector(np.array([0, 0.3, 0])) @ tilted[:3, :3]  # across the one axis: seen
    assert not diagnose_mount(case.views, case.camera, case.noise, tilted, case.sigma).sound
