"""Every wrong input gets one sentence with file, field, value and remedy, exit status 2, and changes nothing."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.shell.site_file import load_site

Refused = Callable[..., str]

#: what is replaced in site.toml, by what, and words that the sentence must hold
SITE_FILES = {
    "crosses itself": (
        'corners = ["0 m, 0 m", "6 m, 0 m", "6 m, 4 m", "0 m, 4 m"]',
        'corners = ["0 m, 0 m", "6 m, 4 m", "6 m, 0 m", "0 m, 4 m"]',
        ("zones[0].corners", "crosses itself"),
    ),
    "two corners": (
        'corners = ["0 m, 0 m", "6 m, 0 m", "6 m, 4 m", "0 m, 4 m"]',
        'corners = ["0 m, 0 m", "6 m, 0 m"]',
        ("zones[0].corners", "3 items"),
    ),
    "no area": (
        'corners = ["0 m, 0 m", "6 m, 0 m", "6 m, 4 m", "0 m, 4 m"]',
        'corners = ["0 m, 0 m", "6 m, 0 m", "6 m, 0 m"]',
        ("zones[0].corners",),
    ),
    "zone inside a keep-out": (
        "# [[keep_outs]]",
        '[[keep_outs]]\nname = "shed"\ncorners = ["-1 m, -1 m", "7 m, -1 m", "7 m, 5 m", "-1 m, 5 m"]\n'
        'standoff = "0 m"\n#',
        ("zones[0].corners", "inside keep-outs"),
    ),
    "zone inside a keep-out's stand-off": (
        "# [[keep_outs]]",
        '[[keep_outs]]\nname = "shed"\ncorners = ["2 m, 1 m", "4 m, 1 m", "4 m, 3 m", "2 m, 3 m"]\n'
        'standoff = "4 m"\n#',
        ("zones[0].corners", "inside keep-outs"),
    ),
    "negative size": ('flow = "0.12 g/s"', 'flow = "-0.12 g/s"', ("head.flow", "-0.12 g/s", "more than 0")),
    "absurd size": ('width = "0.56 m"', 'width = "56 km"', ("base.width", "56 km", "20 m")),
    "no unit": ('width = "0.56 m"', "width = 0.56", ("base.width", "unit")),
    "wrong unit": ('width = "0.56 m"', 'width = "0.56 kg"', ("base.width", "kg")),
    "NaN as text": ('width = "0.56 m"', 'width = "nan m"', ("base.width", "nan m")),
    "NaN as number": ("fwi_max = 10.0", "fwi_max = nan", ("limits.fwi_max", "nan")),
    "infinite": ("fwi_max = 10.0", "fwi_max = inf", ("limits.fwi_max", "inf")),
    "unknown link": ('camera_link = "camera_optical"', 'camera_link = "eye"', ("rig.camera_link", "eye", "head_tip")),
    "unknown field": ('[gas]\n', '[gas]\ncolour = "red"\n', ("gas.colour",)),
    "missing field": ('usable = "90 %"\n', "", ("gas.usable", "missing")),
    "not TOML": ("[gas]", "[gas", ("site.toml", "TOML")),
    "detector outside": ('model = "shipped"', 'model = "../../x.onnx"', ("detector.model", "inside the site")),
    "detector absolute": ('model = "shipped"', 'model = "/etc/x.onnx"', ("detector.model", "inside the site")),
    "factory is code": ('factory = ""', 'factory = "os:system(1)"', ("robot.factory",)),
    "posture too short": (
        'rest_posture = ["0.000000 rad", "0.000000 rad"]', 'rest_posture = ["0 rad"]', ("rig.rest_posture", "1 angles"),
    ),
    "posture out of range": (
        'rest_posture = ["0.000000 rad", "0.000000 rad"]', 'rest_posture = ["0 rad", "10 rad"]',
        ("rig.rest_posture", "limits of b"),
    ),
    "bottle off the base": (
        "\n[errors]", '\n[bottle]\nx = "0 m"\ny = "0.9 m"\nz = "0.4 m"\nradius = "8 cm"\nheight = "30 cm"\n[errors]',
        ("bottle", "footprint", "by "),
    ),
    "bottle without size": (
        "\n[errors]", '\n[bottle]\nx = "0 m"\ny = "0 m"\nz = "0.4 m"\nradius = "0 m"\nheight = "30 cm"\n[errors]',
        ("bottle.radius", "more than 0"),
    ),
    "hose on no link": (
        "\n[errors]", '\n[hose]\nlink = "elbow"\nturn_max = "180 deg"\n[errors]', ("hose.link", "elbow"),
    ),
    "hose without a turn": (
        "\n[errors]", '\n[hose]\nlink = "one"\nturn_max = "0 deg"\n[errors]', ("hose.turn_max", "more than 0"),
    ),
    "kind twice": ('name = "plantain"', 'name = "dandelion"', ("kinds.name", "twice")),
    "other format": ("format = 1", "format = 2", ("format",)),
}  # fmt: skip


@pytest.mark.parametrize("case", SITE_FILES)
@pytest.mark.parametrize("command", ["status", "take-in"])
def test_a_wrong_site_file(own_site: Path, refused: Refused, case: str, command: str) -> None:
    old, new, words = SITE_FILES[case]
    path = own_site / "site.toml"
    text = path.read_text()
    assert old in text, case
    path.write_text(text.replace(old, new, 1))
    sentence = refused(own_site, command, own_site)
    assert "site.toml" in sentence
    for word in words:
        assert word in sentence, sentence


def test_a_hose_that_a_posture_would_wind_up(own_site: Path, refused: Refused) -> None:
    path = own_site / "site.toml"
    text = path.read_text().replace("\n[errors]", '\n[hose]\nlink = "one"\nturn_max = "30 deg"\n[errors]', 1)
    path.write_text(text)
    arm = load_site(own_site).rig.arm
    assert np.allclose(arm.lower_rad, [-9.0, -np.pi / 6])
    assert np.allclose(arm.upper_rad, [9.0, np.pi / 6])
    rest = 'rest_posture = ["0.000000 rad", "0.000000 rad"]'
    assert rest in text
    path.write_text(text.replace(rest, 'rest_posture = ["0 rad", "1.5 rad"]'))
    sentence = refused(own_site, "status", own_site)
    for word in ("rig.survey_posture", "limits of b", "0.9764 to 2.024 rad", "[hose]"):
        assert word in sentence, sentence


CAMERA_FILES = {
    "K is zero": ("[50.0, 0.0", "[0.0, 0.0", ("camera.yaml", "K[0]")),
    "K is NaN": ("[50.0, 0.0", "[.nan, 0.0", ("camera.yaml", "camera_matrix")),
    "K is short": ("[50.0, 0.0", "[0.0", ("camera.yaml", "camera_matrix", "9 numbers")),
    "negative size": ("image_width: 64", "image_width: -64", ("camera.yaml", "image_width", "-64")),
    "absurd size": ("image_width: 64", "image_width: 6400000", ("camera.yaml", "image_width")),
    "size as text": ("image_width: 64", "image_width: wide", ("camera.yaml", "image_width")),
    "unknown lens": ("plumb_bob", "fisheye", ("camera.yaml", "distortion_model", "fisheye")),
    "code in YAML": ("image_width: 64", "image_width: !!python/object/apply:os.getcwd []", ("camera.yaml", "YAML")),
}


@pytest.mark.parametrize("case", CAMERA_FILES)
def test_a_wrong_camera_file(own_site: Path, refused: Refused, case: str) -> None:
    old, new, words = CAMERA_FILES[case]
    path = own_site / "camera.yaml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    sentence = refused(own_site, "take-in", own_site)
    for word in words:
        assert word in sentence, sentence


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("<robot", "<robots", "robot.urdf"),
        ("camera_optical", "eye_link", "camera_optical"),
        ("head_tip", "nozzle", "head_tip"),
        ('lower="-9"', 'lower="nan"', "limit"),
        ('xyz="0.3 0 1"', 'xyz="0.3 0 nan"', "origin"),
    ],
)
def test_a_wrong_urdf(own_site: Path, refused: Refused, old: str, new: str, word: str) -> None:
    path = own_site / "robot.urdf"
    path.write_text(path.read_text().replace(old, new))
    assert word in refused(own_site, "take-in", own_site)


def test_files_that_are_no_recordings(own_site: Path, refused: Refused, logs: Any, tmp_path: Path) -> None:
    (tmp_path / "empty.mcap").write_bytes(b"")
    (tmp_path / "words.mcap").write_text("this is not a robot log" * 100)
    whole = logs.write_log(tmp_path / "whole", logs.Log())
    (tmp_path / "cut.mcap").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    for name in ("empty.mcap", "words.mcap", "cut.mcap", "absent.mcap"):
        assert name in refused(own_site, "take-in", own_site, tmp_path / name)


@pytest.mark.parametrize(
    ("log", "words"),
    [
        ({"with_info": False}, ("camera_info", "nothing about its camera")),
        ({"focal": 0.0}, ("K[0]", "0")),
        ({"focal": math.nan}, ("K",)),
        ({"size": (80, 60)}, ("80", "64")),
        ({"odometry_nan_at": 3}, ("finite",)),
        ({"joint_names": ("a", "x")}, ("b",)),
        ({"picture_offset_s": 100.0}, ("none of the 4 pictures", "within 0.15 s")),
    ],
)
def test_recordings_that_lack_what_the_job_needs(
    own_site: Path, refused: Refused, logs: Any, tmp_path: Path, log: dict[str, Any], words: tuple[str, ...]
) -> None:
    path = logs.write_log(tmp_path / "log", logs.Log(**log))
    sentence = refused(own_site, "take-in", own_site, path)
    for word in words:
        assert word.lower() in sentence.lower(), sentence


def test_a_second_recording_of_a_name_is_not_taken_in(
    own_site: Path, refused: Refused, call: Any, logs: Any, tmp_path: Path
) -> None:
    path = logs.write_log(tmp_path / "log", logs.Log())
    assert call("take-in", own_site, path).exit_code == 0
    assert "already" in refused(own_site, "take-in", own_site, path)


def test_one_bad_recording_keeps_a_good_one_out(own_site: Path, refused: Refused, logs: Any, tmp_path: Path) -> None:
    good = logs.write_log(tmp_path / "good", logs.Log())
    (tmp_path / "bad.mcap").write_bytes(b"")
    assert "bad.mcap" in refused(own_site, "take-in", own_site, good, tmp_path / "bad.mcap")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("detect",), "no frames"),
        (("locate",), "nothing new"),
        (("plan",), "no register"),
        (("run",), "no plan"),
        (("score",), "no round"),
        (("report",), "no register"),
        (("survey",), "no robot"),
        (("take-in",), "nothing new"),
    ],
)
def test_a_command_before_its_time(own_site: Path, refused: Refused, words: tuple[str, ...], said: str) -> None:
    assert said in refused(own_site, *words, own_site)


@pytest.mark.parametrize(
    "words",
    [
        ("take-in", "SITE", "--topic", "colour=/x"),
        ("permit", "SITE", "--signed-by", "A", "--temperature", "nan C", "--humidity", "50 %", "--wind", "1 m/s"),
        ("permit", "SITE", "--signed-by", "A", "--temperature", "9 C", "--humidity", "50", "--wind", "1 m/s"),
        ("init", "SITE", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf"),
        ("init", "SITE/new", "--urdf", "SITE/camera.yaml", "--camera-file", "SITE/camera.yaml"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml", "--size", "-3 m, 4 m"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml", "--size", "3, 4"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml", "--head-link", "tip"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml", "--set", "a.b=3"),
        ("init", "SITE/new", "--urdf", "SITE/robot.urdf", "--camera-file", "SITE/camera.yaml", "--set",
         "errors.mount=-3 mm"),
        ("demo", "--site", "SITE"),
        ("demo", "--stop-after", "lunch"),
        ("status", "SITE/recordings"),
        ("detect", "SITE/recordings"),
        ("report", "SITE", "--plan", "round-9"),
    ],
)  # fmt: skip
def test_wrong_options(own_site: Path, refused: Refused, words: tuple[str, ...]) -> None:
    refused(own_site, *(w.replace("SITE", str(own_site)) for w in words))


def test_errors_as_data(own_site: Path, call: Any) -> None:
    result = call("locate", own_site, "--json")
    assert result.exit_code == 2
    told = json.loads(result.stdout)
    assert told["error"] == "StaleError"
    assert told["remedy"]
