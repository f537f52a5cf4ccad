"""``swardwright calibrate camera`` on rendered pictures of a board whose camera is known."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import av
import cv2
import numpy as np
import pytest
from click.testing import Result

from swardwright.shell.camera_file import load_camera

Call = Callable[..., Result]
SIZE = (640, 480)
TRUE = np.array([450.0, 450.5, 320.3, 238.7, 0, 0, 0, 0, 0])
BOARD = ("--board", "9x6", "--square", "30mm")


def lens_cases() -> ModuleType:
    """The drawing helpers of the locating tests."""
    where = Path(__file__).parents[1] / "locating" / "calibration" / "lens_cases.py"
    spec = importlib.util.spec_from_file_location("lens_cases_of_locating", where)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def images() -> list[np.ndarray]:
    cases = lens_cases()
    cases.SIZE = SIZE
    rng = np.random.default_rng(8)
    return [
        cases.render(cases.BOARD, turn, shift, theta=TRUE, size=SIZE, over=3)
        for turn, shift in cases.poses(13, rng, theta=TRUE)
    ]


@pytest.fixture(scope="session")
def pictures(images: list[np.ndarray], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("board") / "board-pictures"
    folder.mkdir()
    for i, image in enumerate(images):
        cv2.imwrite(str(folder / f"p{i:02d}.png"), image)
    return folder


@pytest.fixture(scope="session")
def made(pictures: Path, call: Call, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    out = tmp_path_factory.mktemp("out") / "camera.yaml"
    done = call("calibrate", "camera", pictures, *BOARD, "--out", out, "--json")
    assert done.exit_code == 0, done.stderr
    return out, json.loads(done.stdout)


def test_the_camera_that_was_drawn_comes_out(made: tuple[Path, dict[str, Any]]) -> None:
    """Within four of its own standard deviations; corners of rendered pictures are good to 0.1 px."""
    path, said = made
    camera = load_camera(path)
    assert camera.covariance.shape == (9, 9)
    assert (camera.width_px, camera.height_px) == SIZE
    off = np.array([camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *camera.distortion[:5]]) - TRUE
    assert np.abs(off / np.sqrt(np.diag(camera.covariance))).max() < 4
    assert abs(off[0]) < 3.0
    assert said["reprojection_px"] < 0.1
    assert said["held_out_px"] < 0.15
    assert len(said["views"]) == 13
    assert said["written"] == str(path)
    assert Path(said["figure"]).read_bytes().startswith(b"\x89PNG")
    assert Path(said["figure"]).parent == path.parent


def test_a_file_is_never_overwritten_without_being_told(
    made: tuple[Path, dict[str, Any]], pictures: Path, refused: Callable[..., str]
) -> None:
    path, _ = made
    assert "already" in refused(path.parent, "calibrate", "camera", pictures, *BOARD, "--out", path)


def test_into_a_site_the_old_file_is_kept(own_site: Path, pictures: Path, call: Call) -> None:
    old = (own_site / "camera.yaml").read_bytes()
    done = call("calibrate", "camera", own_site, pictures, *BOARD, "--force")
    assert done.exit_code == 0, done.stderr
    kept = list(own_site.glob("camera-until-*.yaml"))
    assert [p.read_bytes() for p in kept] == [old]
    assert kept[0].name in done.stdout
    assert load_camera(own_site / "camera.yaml").width_px == SIZE[0]
    assert (own_site / "reports" / "camera.png").is_file()
    assert "On the ground, from 1.00 m" in done.stdout
    assert call("status", own_site).exit_code == 0


def test_what_is_not_usable_is_not_written(own_site: Path, pictures: Path, call: Call) -> None:
    before = (own_site / "camera.yaml").read_bytes()
    few = [pictures / f"p{i:02d}.png" for i in range(3)]
    done = call("calibrate", "camera", own_site, *few, *BOARD)
    assert done.exit_code == 0, done.stderr
    assert "Verdict: not usable" in done.stdout
    assert "was not written" in done.stdout
    assert (own_site / "camera.yaml").read_bytes() == before


def test_from_a_robot_log_with_nothing_but_pictures(
    images: list[np.ndarray], tmp_path: Path, call: Call, made: tuple[Path, dict[str, Any]]
) -> None:
    from rosbags.rosbag2 import StoragePlugin, Writer
    from rosbags.typesys import Stores, get_typestore

    types = get_typestore(Stores.ROS2_HUMBLE)
    t, kind = types.types, "sensor_msgs/msg/CompressedImage"
    with Writer(tmp_path / "log", version=9, storage_plugin=StoragePlugin.MCAP) as writer:
        streams = [writer.add_connection(name, kind, typestore=types) for name in ("/eye/image", "/other/image")]
        for i, image in enumerate([*images, np.full((480, 640), 100, np.uint8)]):
            header = t["std_msgs/msg/Header"](t["builtin_interfaces/msg/Time"](1000 + i, 0), "camera")
            data = cv2.imencode(".png", image)[1].ravel()
            for stream in streams:
                message = t[kind](header, "png", data)
                writer.write(stream, (1000 + i) * 10**9, types.serialize_cdr(message, kind))
    log = next((tmp_path / "log").glob("*.mcap"))
    out = tmp_path / "camera.yaml"
    unnamed = call("calibrate", "camera", log, *BOARD, "--out", out)
    assert unnamed.exit_code == 2
    assert "--topic" in unnamed.stderr
    done = call("calibrate", "camera", log, *BOARD, "--topic", "/eye/image", "--out", out, "--json")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["fx_px"] == pytest.approx(made[1]["fx_px"], abs=1e-6)  # the same pictures
    assert said["left_out"] == {"the picture is blank": 1}


def test_from_a_video(images: list[np.ndarray], tmp_path: Path, call: Call) -> None:
    path = tmp_path / "board.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=4)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = *SIZE, "yuv420p", 20_000_000
        stream.time_base = Fraction(1, 4)
        for image in images:
            for packet in stream.encode(av.VideoFrame.from_ndarray(np.dstack([image] * 3), format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    done = call("calibrate", "camera", path, *BOARD, "--out", tmp_path / "camera.yaml", "--json")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["pictures"] == 13
    assert abs(said["fx_px"] - TRUE[0]) < 4 * said["sigma"]["fx"] + 1.0  # compressed pictures


def test_the_same_view_twice_is_no_further_evidence(
    pictures: Path, tmp_path: Path, call: Call, made: tuple[Path, dict[str, Any]]
) -> None:
    folder = tmp_path / "twice"
    shutil.copytree(pictures, folder)
    for picture in pictures.iterdir():
        shutil.copy(picture, folder / f"again-{picture.name}")
    done = call("calibrate", "camera", folder, *BOARD, "--no-write", "--json", "--figure", tmp_path / "f.png")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["left_out"] == {"views like others that were kept": 13}
    assert said["sigma"]["fx"] == pytest.approx(made[1]["sigma"]["fx"], rel=1e-3)
    assert said["written"] is None


def test_rescaling_a_site_keeps_the_old_file(own_site: Path, call: Call) -> None:
    old = (own_site / "camera.yaml").read_bytes()
    done = call("calibrate", "camera", own_site, "--rescale", "32x24")
    assert done.exit_code == 0, done.stderr
    assert load_camera(own_site / "camera.yaml").fx_px == pytest.approx(25.0)
    assert [p.read_bytes() for p in own_site.glob("camera-until-*.yaml")] == [old]


def test_rescaling_says_what_it_did(made: tuple[Path, dict[str, Any]], tmp_path: Path, call: Call) -> None:
    path = tmp_path / "camera.yaml"
    shutil.copy(made[0], path)
    before = load_camera(path)
    done = call("calibrate", "camera", path, "--rescale", "320x240")
    assert done.exit_code == 0, done.stderr
    assert "640x480 resized to 320x240" in done.stdout
    after = load_camera(tmp_path / "camera-320x240.yaml")
    assert after.cx_px == pytest.approx((before.cx_px + 0.5) / 2 - 0.5)
    assert after.covariance[0, 0] == pytest.approx(before.covariance[0, 0] / 4)
    assert np.array_equal(load_camera(path).matrix, before.matrix)
    again = call("calibrate", "camera", path, "--rescale", "320x240")
    assert again.exit_code == 2
    both = call("calibrate", "camera", path, "--crop", "100,40,400x300", "--rescale", "200x150", "--json")
    assert both.exit_code == 0, both.stderr
    assert json.loads(both.stdout)["cx_px"] == pytest.approx((before.cx_px - 100 + 0.5) / 2 - 0.5)


def test_pictures_at_the_half_size_agree_with_the_rescaled_camera(
    images: list[np.ndarray], made: tuple[Path, dict[str, Any]], tmp_path: Path, call: Call
) -> None:
    """Halved by OpenCV and calibrated anew: the centre moves by the half-pixel rule."""
    folder = tmp_path / "half"
    folder.mkdir()
    for i, image in enumerate(images):
        cv2.imwrite(str(folder / f"p{i:02d}.png"), cv2.resize(image, (320, 240), interpolation=cv2.INTER_AREA))
    done = call("calibrate", "camera", folder, *BOARD, "--out", tmp_path / "half.yaml", "--force", "--json")
    assert done.exit_code == 0, done.stderr
    anew, carried = load_camera(tmp_path / "half.yaml"), load_camera(made[0]).resized(320, 240)
    spread = anew.covariance + carried.covariance
    for i, name in enumerate(("fx_px", "fy_px", "cx_px", "cy_px")):
        off = getattr(anew, name) - getattr(carried, name)
        assert abs(off) < 4 * np.sqrt(spread[i, i]), name


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("nowhere", *BOARD), "no such file"),
        (("FOLDER",), "exactly one board"),
        (("FOLDER", "--board", "9x6"), "squares"),
        (("FOLDER", "--board", "nine", "--square", "30mm"), "columns x rows"),
        (("FOLDER", "--board", "9x6", "--square", "30"), "unit"),
        (("FOLDER", "--charuco", "7x5", "--square", "40mm"), "markers"),
        (("FOLDER", "--charuco", "7x5", "--square", "40mm", "--marker", "50mm"), "smaller"),
        (("FOLDER", "--board", "7x7", "--square", "30mm"), "found in no picture"),
        (("EMPTY", *BOARD), "no pictures"),
        (("CUT", *BOARD), "found in no picture"),
        (("WORDS", *BOARD), "kind of file"),
        (("FOLDER", *BOARD, "--height", "100 m"), "height"),
        (("CAMERA", "--rescale", "640x360"), "cropped"),
        (("CAMERA", "--rescale", "big"), "whole numbers"),
        (("CAMERA", "--crop", "600,0,400x300"), "inside"),
        (("CAMERA", "FOLDER", "--rescale", "320x240"), "one calibration"),
        (("FOLDER", "--rescale", "320x240"), "one calibration"),
    ],
)
def test_wrong_input_is_one_sentence(
    made: tuple[Path, dict[str, Any]], pictures: Path, tmp_path: Path, refused: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], sentence: str,
) -> None:  # fmt: skip
    (tmp_path / "empty").mkdir()
    (tmp_path / "cut").mkdir()
    (tmp_path / "cut" / "p.png").write_bytes((pictures / "p00.png").read_bytes()[:900])
    (tmp_path / "words.txt").write_text("no picture")
    shutil.copy(made[0], tmp_path / "eye.yaml")
    few = tmp_path / "few"
    few.mkdir()
    for i in range(2):
        shutil.copy(pictures / f"p{i:02d}.png", few)
    places = {"FOLDER": few, "EMPTY": tmp_path / "empty", "CUT": tmp_path / "cut", "WORDS": tmp_path / "words.txt",
              "CAMERA": tmp_path / "eye.yaml"}  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert sentence in refused(tmp_path, "calibrate", "camera", *(places.get(w, w) for w in words))


def test_pictures_of_mixed_sizes_are_named(pictures: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    folder = tmp_path / "mixed"
    shutil.copytree(pictures, folder)
    image = cv2.imread(str(folder / "p03.png"))
    cv2.imwrite(str(folder / "p03.png"), cv2.resize(image, (320, 240), interpolation=cv2.INTER_AREA))
    said = refused(tmp_path, "calibrate", "camera", folder, *BOARD, "--out", tmp_path / "camera.yaml")
    assert "different sizes" in said
    assert "p03.png" in said
