"""Video against what recommendations and handbooks print."""

from __future__ import annotations

import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Pose
from swardwright.footage.tone import (
    LUMINANCE_2020,
    PEAK_CD_M2,
    TO_709,
    hlg_cd_m2,
    hlg_scene,
    pq_cd_m2,
    pq_signal,
    pressed_cd_m2,
    srgb_code,
)
from swardwright.frames.ground import sampling_distance_m

#: ITU-R BT.2408, table of nominal levels on a 1000 cd/m2 display (from memory; whole per cents as printed): PQ and HLG
#: signal of reference white (203 cd/m2) and of 18 % grey (26 cd/m2), and HLG's peak
LEVELS = [(203.0, 0.58, 0.75), (26.0, 0.38, 0.38), (1000.0, 0.75, 1.0)]


@pytest.mark.parametrize(("cd_m2", "pq", "hlg"), LEVELS)
def test_signals_of_known_luminances(cd_m2, pq, hlg):
    assert float(pq_signal(np.array(cd_m2))) == pytest.approx(pq, abs=0.006)
    shown = hlg_cd_m2(hlg_scene(np.array([hlg] * 3)))
    # a printed per cent is half a per cent of signal wide: 4 % of luminance in HLG's logarithmic part, 8 % below it
    np.testing.assert_allclose(shown, cd_m2, rtol=0.04)


def test_pq_at_points_printed_in_smpte_st_2084_texts():
    """100 cd/m2 is 50.8 % of the signal, 10,000 all of it, 0 none (from memory)."""
    np.testing.assert_allclose(pq_signal(np.array([0.0, 100.0, 10_000.0])), [0, 0.508, 1], atol=5e-4)
    values = np.geomspace(0.01, 9_999, 50)
    np.testing.assert_allclose(pq_cd_m2(pq_signal(values)), values, rtol=1e-9)


def test_hlg_curve_meets_itself_at_a_twelfth():
    """BT.2100: the square root part and the logarithm meet at E = 1/12, signal 1/2; the whole signal is E = 1."""
    np.testing.assert_allclose(hlg_scene(np.array([0.5, 1.0])), [1 / 12, 1.0], atol=2e-7)
    assert float(hlg_scene(np.array(0.5 + 1e-9))) == pytest.approx(1 / 12, abs=1e-6)


def test_the_tone_curve_keeps_mid_tones_and_never_turns():
    light = np.geomspace(0.01, PEAK_CD_M2, 400)
    pressed = pressed_cd_m2(light)
    assert (np.diff(pressed) > 0).all()
    np.testing.assert_allclose(pressed[light < 60], light[light < 60], rtol=1e-9)
    assert pressed[-1] == pytest.approx(203.0, rel=1e-6)


def test_primaries_from_their_chromaticities():
    """BT.2020 and BT.709 primaries with D65 white, as both recommendations print them (x, y)."""

    def to_xyz(red, green, blue, white=(0.3127, 0.3290)):
        columns = np.array([[x / y, 1, (1 - x - y) / y] for x, y in (red, green, blue)]).T
        x, y = white
        return columns * np.linalg.solve(columns, [x / y, 1, (1 - x - y) / y])

    wide = to_xyz((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
    narrow = to_xyz((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
    np.testing.assert_allclose(np.linalg.solve(narrow, wide), TO_709, atol=2e-4)
    np.testing.assert_allclose(wide[1], LUMINANCE_2020, atol=2e-4)


def test_srgb_middle_grey():
    """IEC 61966-2-1: linear 0.2140 is code 127.5; 18 % grey is 118 (widely printed)."""
    assert float(srgb_code(np.array(0.18))) == pytest.approx(117.8, abs=0.3)
    assert float(srgb_code(np.array(0.2140))) == pytest.approx(127.5, abs=0.1)


def test_ground_sampling_distance_of_a_survey_camera():
    """Handbook formula; a 13.2 mm sensor behind 8.8 mm, 5472 px wide, from 100 m: 2.74 cm (printed; from memory)."""
    assert sampling_distance_m(0.0132, 100.0, 0.0088, 5472) == pytest.approx(0.0274, abs=5e-5)


def test_ground_sampling_distance_is_that_of_a_camera_looking_straight_down():
    width, sensor, focal, height = 4000, 0.0062, 0.0043, 1.2
    f_px = focal * width / sensor
    camera = Camera(width, 3000, f_px, f_px, 1999.5, 1499.5, np.zeros(5), np.zeros((4, 4)))
    pose = Pose.from_rpy("ground", "camera", (0.0, 0.0, height), (np.pi, 0.0, 0.0))
    ground = np.array([[0.0, 0.0, 0.0], [0.3, 0.0, 0.0]])
    pixels = camera.project(pose.inverse.apply(ground))
    apart = float(np.linalg.norm(pixels[1] - pixels[0]))
    assert 0.3 / apart == pytest.approx(sampling_distance_m(sensor, height, focal, width), rel=1e-9)
