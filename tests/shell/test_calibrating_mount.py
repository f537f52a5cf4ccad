"""``swardwright calibrate mount`` on painted pictures of a board, whose true mount is known."""

from __future__ import annotations

import functools
import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, Pose, rotation_from_vector, skew
from swardwright.domain.site import Site
from swardwright.locating.calibration.mount_check import difference
from swardwright.shell.camera_file import camera_text
from swardwright.shell.mount_file import (
    MOUNT_FILE,
    Mounted,
    MountFile,
    fixed_joint,
    load_mount,
    mount_text,
    write_mount,
)
from swardwright.shell.site_file import load_site
from swardwright.shell.status import REGISTER_FROM, input_hashes

SQUARE_M = 0.03
COLUMNS, ROWS = 9, 6
#: how the camera really sits, against the URDF: well within what the invented site states (0.3 deg, 3 mm)
OFF = np.array([0.003, -0.004, 0.002, 0.002, -0.003, 0.001])


def board_texture(pixels_per_square: int = 60) -> Array:
    """A chessboard with one square's white margin; inner corner (0, 0) at 2 squares from the top left."""
    squares = np.add.outer(np.arange(ROWS + 1), np.arange(COLUMNS + 1)) % 2
    inner = np.kron(squares * 200 + 30, np.ones((pixels_per_square, pixels_per_square)))
    return np.pad(inner, pixels_per_square, constant_values=230).astype(np.float32)


@functools.cache
def rays_of(width: int, height: int, matrix: bytes, lens: bytes) -> Array:
    """Ideal rays (n, 3) of every pixel, by OpenCV."""
    u, v = np.meshgrid(np.arange(width), np.arange(height))
    at = np.stack([u.ravel(), v.ravel()], axis=1).astype(float)
    ideal = cv2.undistortPointsIter(at[:, None], np.frombuffer(matrix).reshape(3, 3), np.frombuffer(lens), None, None,
                                    (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-9))[:, 0]  # fmt: skip
    return np.concatenate([ideal, np.ones((len(ideal), 1))], axis=1)


def paint(camera: Camera, camera_from_board: Array, texture: Array, pixels_per_square: int = 60) -> Array:
    """Look at the board by ray casting, with the lens: for each pixel the place on the board that it sees."""
    turn, shift = camera_from_board[:3, :3], camera_from_board[:3, 3]
    seen = rays_of(camera.width_px, camera.height_px, camera.matrix.tobytes(), camera.distortion.tobytes())
    rays, eye = seen @ turn, -turn.T @ shift
    met = eye - rays * (eye[2] / rays[:, 2])[:, None]
    where = (met[:, :2] / SQUARE_M + 2) * pixels_per_square - 0.5
    shape = (camera.height_px, camera.width_px)
    u, v = (where[:, axis].reshape(shape).astype(np.float32) for axis in (0, 1))
    return cv2.GaussianBlur(cv2.remap(texture, u, v, cv2.INTER_LINEAR, borderValue=120.0), (0, 0), 0.7)


def small(camera: Camera) -> Camera:
    """The same lens at half size: pictures are painted faster."""
    return replace(camera, width_px=camera.width_px // 2, height_px=camera.height_px // 2, fx_px=camera.fx_px / 2,
                   fy_px=camera.fy_px / 2, cx_px=camera.cx_px / 2 - 0.25, cy_px=camera.cy_px / 2 - 0.25,
                   covariance=camera.covariance / 4)  # fmt: skip


def postures(site: Site, count: int, seed: int, turning: tuple[int, ...] | None = None,
             spread: float = 0.25) -> Iterator[tuple[Array, Array]]:  # fmt: skip
    """Yield joint readings and pictures of a board on the ground; the camera is off its URDF mount by ``OFF``."""
    rng = np.random.default_rng(seed)
    rig = site.rig
    arm, joint = rig.arm, fixed_joint(rig.arm, rig.camera_link)
    mount = Pose("link", "camera", joint.origin[:3, :3], joint.origin[:3, 3]).perturbed(OFF)
    home = np.array(rig.survey_joints_rad)
    looked = arm.forward(home, rig.camera_link)
    board = np.eye(4)
    board[:3, :3] = np.diag([1.0, -1.0, -1.0]) @ rotation_from_vector(np.array([0, 0, 0.4]))
    middle = np.array([(COLUMNS - 1) / 2, (ROWS - 1) / 2, 0]) * SQUARE_M
    board[:3, 3] = looked[:3, 3] - looked[:3, 2] * (looked[2, 3] / looked[2, 2]) - board[:3, :3] @ middle
    texture = board_texture()
    corners = np.array([[x, y, 0] for x in (-1.5, COLUMNS + 0.5) for y in (-1.5, ROWS + 0.5)]) * SQUARE_M
    size = (rig.camera.width_px, rig.camera.height_px)
    while count:
        q = home + spread * rng.normal(0, 1, home.shape) * np.isin(range(len(home)), turning or range(len(home)))
        true = q + rng.normal(0, rig.errors.joint_rad, q.shape)
        seen = np.linalg.inv(arm.forward(true, joint.parent) @ mount.matrix) @ board
        pixels = rig.camera.project(corners @ seen[:3, :3].T + seen[:3, 3])
        inside = ((pixels > 4) & (pixels < np.array(size) - 5)).all()
        if not inside or (q < arm.lower_rad).any() or (q > arm.upper_rad).any():
            continue
        picture = paint(rig.camera, seen, texture) + rng.normal(0, 2.0, size[::-1])
        yield q, np.clip(picture, 0, 255).astype(np.uint8)
        count -= 1


def write_folder(folder: Path, site: Site, found: Iterator[tuple[Array, Array]]) -> Path:
    folder.mkdir()
    rows = [f"picture,{','.join(site.rig.arm.joint_names)}"]
    for number, (q, picture) in enumerate(found, start=1):
        cv2.imwrite(str(folder / f"board-{number:02d}.png"), picture)
        rows.append(",".join([f"board-{number:02d}.png", *(f"{v:.9f}" for v in q)]))
    (folder / "joints.csv").write_text("\n".join(rows) + "\n")
    return folder


@pytest.fixture(scope="module")
def green(tmp_path_factory: pytest.TempPathFactory, call: Callable[..., Any]) -> Path:
    """The invented site with its camera at half size."""
    folder = tmp_path_factory.mktemp("mount") / "green"
    assert call("init", folder, "--invented").exit_code == 0
    (folder / "camera.yaml").write_text(camera_text(small(load_site(folder).rig.camera), "half size"))
    return folder


@pytest.fixture(scope="module")
def pictures(green: Path) -> Path:
    site = load_site(green)
    return write_folder(green.parent / "board", site, postures(site, 10, 4))


@pytest.fixture
def site(green: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(green, tmp_path / "green"))


BOARD = ("--board", "9x6", "--square", "30 mm")


def test_the_mount_is_found_written_and_used(site: Path, pictures: Path, call: Callable[..., Any]) -> None:
    before = load_site(site)
    joint = fixed_joint(before.rig.arm, before.rig.camera_link)
    truth = Pose("link", "camera", joint.origin[:3, :3], joint.origin[:3, 3]).perturbed(OFF)
    done = call("calibrate", "mount", site, pictures, *BOARD, "--propose", 2, "--json")
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    camera = told["camera"]
    assert camera["verdict"]["name"] == "sound"
    assert len(camera["views"]) == 10
    assert len(camera["next_poses"]) == 2
    assert camera["ground_rms_m"] < 0.5 * camera["ground_rms_m_as_stated"]
    after = load_site(site)
    found = fixed_joint(after.rig.arm, after.rig.camera_link).origin
    gap = difference(found, truth)
    assert after.rig.mount_covariance is not None
    # 6 degrees of freedom: 22.5 is exceeded by chance once in a thousand
    assert gap @ np.linalg.solve(after.rig.mount_covariance, gap) < 22.5
    assert (np.diag(after.rig.mount_covariance) < np.diag(before.rig.mount_prior)).all()
    np.testing.assert_allclose(after.rig.mount_covariance, camera["covariance"], rtol=1e-9)
    assert Path(told["figure"]).read_bytes()[:4] == b"\x89PNG"
    again = call("calibrate", "mount", site, pictures, *BOARD)
    assert again.exit_code == 0
    kept = list(site.glob("mount-until-*.yaml"))
    assert len(kept) == 1
    assert load_mount(kept[0]).camera is not None
    assert "old one is kept" in again.stdout


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda m: np.linalg.inv(m), "inverted"),
        (lambda m: m @ np.diag([-1.0, -1.0, 1.0, 1.0]), "180 degrees about the optical axis"),
    ],
)
def test_a_check_names_a_wrong_mount_and_writes_nothing(
    site: Path, pictures: Path, call: Callable[..., Any], tree: Callable[..., Any], wrong: Any, words: str
) -> None:
    rig = load_site(site).rig
    joint = fixed_joint(rig.arm, rig.camera_link)
    bad = wrong(joint.origin)
    pose = Pose(joint.parent, joint.child, bad[:3, :3], bad[:3, 3])
    write_mount(site, MountFile(Mounted(joint.parent, joint.child, pose, None), None, "", "by hand"))
    before = tree(site)
    done = call("calibrate", "mount", site, pictures, *BOARD, "--check", "--figure", site.parent / "figure.png")
    assert done.exit_code == 0, done.stderr
    assert words in done.stdout
    assert "to mend it" in done.stdout
    assert tree(site) == before


def test_one_axis_is_not_written(site: Path, call: Callable[..., Any]) -> None:
    there = load_site(site)
    folder = write_folder(site.parent / "one", there, postures(there, 6, 5, (6,), 0.5))
    done = call("calibrate", "mount", site, folder, *BOARD)
    assert done.exit_code == 0, done.stderr
    assert "All your poses turn about one axis" in done.stdout
    assert "Add these poses" in done.stdout
    assert "was not written" in done.stdout
    assert not (site / MOUNT_FILE).exists()


def without_topics(site: Path) -> Site:
    """The site finds the streams of a log by their types."""
    text = (site / "site.toml").read_text()
    (site / "site.toml").write_text(re.sub(r"(?m)^\[topics\][^\[]*", "", text))
    return load_site(site)


def log_of(path: Path, site: Site, logs: Any, *, drive: float) -> Path:
    """A log in which the arm moves from posture to posture and stands at each for two pictures."""
    from rosbags.typesys import Stores, get_typestore

    types = get_typestore(Stores.ROS2_HUMBLE)
    t = types.types

    def header(stamp: float) -> Any:
        ns = round((1_780_000_000 + stamp) * 1e9)
        return t["std_msgs/msg/Header"](t["builtin_interfaces/msg/Time"](ns // 10**9, ns % 10**9), "base_link")

    extra, last, stamp = [], None, 0.0
    v3, q0 = t["geometry_msgs/msg/Vector3"], t["geometry_msgs/msg/Quaternion"](0.0, 0.0, 0.0, 1.0)
    for number, (q, picture) in enumerate(postures(site, 8, 6)):
        way = [q] if last is None else [last + (q - last) * s for s in (0.25, 0.5, 0.75)] + [q]
        for at in (*way, q, q, q):
            stamp += 0.1
            extra.append(("/joints", "sensor_msgs/msg/JointState", stamp, t["sensor_msgs/msg/JointState"](
                header(stamp), list(site.rig.arm.joint_names), np.array(at), np.zeros(0), np.zeros(0))))  # fmt: skip
            place = t["geometry_msgs/msg/Pose"](t["geometry_msgs/msg/Point"](drive * stamp, 0.0, 0.0), q0)
            zero = t["geometry_msgs/msg/Twist"](v3(0.0, 0.0, 0.0), v3(0.0, 0.0, 0.0))
            extra.append(("/odom", "nav_msgs/msg/Odometry", stamp, t["nav_msgs/msg/Odometry"](
                header(stamp), "base_link", t["geometry_msgs/msg/PoseWithCovariance"](place, np.zeros(36)),
                t["geometry_msgs/msg/TwistWithCovariance"](zero, np.zeros(36)))))  # fmt: skip
            if at is q or (number and at is way[1]):
                data = cv2.imencode(".png", picture)[1].ravel()
                extra.append(("/camera", "sensor_msgs/msg/CompressedImage", stamp,
                              t["sensor_msgs/msg/CompressedImage"](header(stamp), "png", data)))  # fmt: skip
        last = q
    log = logs.Log(seconds=1.0, with_odometry=False, with_joints=False, with_pictures=False, with_info=False,
                   extra=extra)  # fmt: skip
    return Path(logs.write_log(path, log))


def test_a_log_gives_the_postures_at_which_the_arm_stood(site: Path, logs: Any, call: Callable[..., Any]) -> None:
    log = log_of(site.parent / "log", without_topics(site), logs, drive=0.0)
    done = call("calibrate", "mount", site, log, *BOARD, "--no-write", "--json")
    assert done.exit_code == 0, done.stderr
    camera = json.loads(done.stdout)["camera"]
    assert len(camera["views"]) == 8
    # between postures the arm passes by with another picture's joints: those must not be used
    assert camera["left_out"]["pictures taken while the arm moved"] >= 7
    assert camera["verdict"]["name"] == "sound"
    assert not (site / MOUNT_FILE).exists()


def test_a_base_that_drives_is_refused(site: Path, logs: Any, refused: Callable[..., str]) -> None:
    log = log_of(site.parent / "log", without_topics(site), logs, drive=0.02)
    assert "the base drove" in refused(site, "calibrate", "mount", site, log, *BOARD)


def test_the_tip_is_found_and_kept_beside_the_camera(site: Path, pictures: Path, call: Callable[..., Any]) -> None:
    there = load_site(site)
    arm, joint = there.rig.arm, fixed_joint(there.rig.arm, there.rig.head.link)
    rng = np.random.default_rng(2)
    tip = joint.origin[:3, 3] + [0.004, -0.003, 0.006]
    home = np.array(there.rig.survey_joints_rad)
    point = (arm.forward(home, joint.parent) @ np.append(tip, 1))[:3]
    rows = [",".join(arm.joint_names)]
    while len(rows) < 11:
        q = home + rng.normal(0, 0.4, home.shape)
        for _ in range(40):
            pose, jacobian = arm.forward(q, joint.parent), arm.jacobian(q, joint.parent)
            moves = jacobian[3:] - skew(pose[:3, :3] @ tip) @ jacobian[:3]
            q = q + moves.T @ np.linalg.solve(
                moves @ moves.T + 1e-5 * np.eye(3), point - (pose @ np.append(tip, 1))[:3]
            )
        met = np.linalg.norm(point - (arm.forward(q, joint.parent) @ np.append(tip, 1))[:3]) < 1e-8
        if met and (q > arm.lower_rad).all() and (q < arm.upper_rad).all():
            rows.append(",".join(f"{v:.9f}" for v in q + rng.normal(0, there.rig.errors.joint_rad, q.shape)))
    touches = site.parent / "tip.csv"
    touches.write_text("\n".join(rows) + "\n")
    assert call("calibrate", "mount", site, pictures, *BOARD).exit_code == 0
    done = call("calibrate", "mount", site, "--touches", touches, "--json")
    assert done.exit_code == 0, done.stderr
    rig = load_site(site).rig
    found = fixed_joint(rig.arm, rig.head.link).origin[:3, 3]
    covariance = np.array(json.loads(done.stdout)["tip"]["covariance_m2"])
    assert (found - tip) @ np.linalg.solve(covariance, found - tip) < 16.3  # chi-square, 3: once in a thousand
    assert np.linalg.norm(found - tip) < 0.004
    assert rig.mount_covariance is not None, "the camera's part is kept"


def test_the_register_becomes_stale(site: Path) -> None:
    rig = load_site(site).rig
    joint = fixed_joint(rig.arm, rig.camera_link)
    pose = Pose(joint.parent, joint.child, joint.origin[:3, :3], joint.origin[:3, 3])
    write_mount(site, MountFile(Mounted(joint.parent, joint.child, pose, 2e-6 * np.eye(6)), None, "", ""))
    hashes = input_hashes(site, load_site(site))
    same = MountFile(Mounted(joint.parent, joint.child, pose, 1e-6 * np.eye(6)), None, "", "")
    write_mount(site, same)
    changed = {k for k, v in input_hashes(site, load_site(site)).items() if v != hashes[k]}
    assert changed == {"camera mount"}, "the same place, better known"
    moved = MountFile(Mounted(joint.parent, joint.child, pose.perturbed(OFF), 1e-6 * np.eye(6)), None, "", "")
    write_mount(site, moved)
    changed = {k for k, v in input_hashes(site, load_site(site)).items() if v != hashes[k]}
    assert changed == {"camera mount", "arm"}
    assert changed <= set(REGISTER_FROM)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: "[[[", "not YAML"),
        (lambda t: "- 1", "holds no fields"),
        (lambda t: t.replace("camera:", "kamera:"), "no such field"),
        (lambda t: t.replace("xyz_m: [0", "xyz_m: [1900"), "millimetres"),
        (lambda t: t.replace("xyz_m: [", "xyz_m: [.nan, "), "finite numbers"),
        (lambda t: t.replace("quaternion_wxyz: [", "quaternion_wxyz: [2"), "length 1"),
        (lambda t: t.replace('parent: "camera_body"', 'parent: "elsewhere"'), "other links"),
        (lambda t: t.replace("covariance: [", "covariance: [-"), "covariance"),
        (lambda t: "\x00" * 200_000, "too large"),
    ],
)
def test_a_bad_mount_file_is_one_sentence(site: Path, refused: Callable[..., str], change: Any, words: str) -> None:
    rig = load_site(site).rig
    joint = fixed_joint(rig.arm, rig.camera_link)
    pose = Pose(joint.parent, joint.child, joint.origin[:3, :3], np.array([0.01, 0.02, 0.03]))
    text = mount_text(MountFile(Mounted(joint.parent, joint.child, pose, np.eye(6)), None, "now", "made up"))
    (site / MOUNT_FILE).write_text(change(text))
    sentence = refused(site, "status", site)
    assert MOUNT_FILE in sentence
    assert words in sentence


def edited(old: str, new: str) -> Callable[[Path], object]:
    return lambda f: (f / "joints.csv").write_text((f / "joints.csv").read_text().replace(old, new))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda f: (f / "joints.csv").unlink(), "no joints.csv"),
        (edited("joint_7", "joint_8"), "columns are missing"),
        (edited("board-03", "../site"), "not there"),
        (edited("board-03", "board-04"), "two lines"),
        (edited(".png,0", ".png,90"), "degrees"),
        (edited(".png,", ".png,nan"), "finite"),
        (lambda f: (f / "joints.csv").write_bytes(b"\xff\xfe\x00"), "not text"),
        (lambda f: (f / "board-02.png").write_bytes((f / "board-02.png").read_bytes()[:3000]), "cannot be decoded"),
        (lambda f: cv2.imwrite(str(f / "board-02.png"), np.zeros((48, 64), np.uint8)), "another size"),
    ],
)  # fmt: skip
def test_a_bad_folder_is_one_sentence(
    green: Path, pictures: Path, tmp_path: Path, refused: Callable[..., str], change: Any, words: str
) -> None:
    folder = Path(shutil.copytree(pictures, tmp_path / "board"))
    change(folder)
    assert words in refused(green, "calibrate", "mount", green, folder, *BOARD, "--no-write")


def test_nothing_to_calibrate_from_is_refused(
    green: Path, pictures: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    assert "nothing to calibrate from" in refused(green, "calibrate", "mount", green)
    few = Path(shutil.copytree(pictures, tmp_path / "few"))
    (few / "joints.csv").write_text("\n".join((few / "joints.csv").read_text().splitlines()[:3]) + "\n")
    assert "too few pictures" in refused(green, "calibrate", "mount", green, few, *BOARD)
