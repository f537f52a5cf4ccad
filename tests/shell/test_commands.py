"""Commands on a site of one's own: what they store, what is stale afterwards, and how they speak."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.frame import Detection
from swardwright.shell.command_line import main
from swardwright.shell.open_site import open_site, opened

Call = Callable[..., Result]


def test_help_is_quick() -> None:
    """Must show: ``swardwright --help`` under 0.5 s; the best of five, since the machine may be busy."""
    spent = []
    for _ in range(5):
        began = time.perf_counter()
        done = subprocess.run([sys.executable, "-m", "swardwright.shell.command_line", "--help"], capture_output=True,
                              text=True, check=True)  # fmt: skip
        spent.append(time.perf_counter() - began)
    assert min(spent) < 0.5
    for name in (*main.commands, "teach"):
        assert f"  {name} " in done.stdout


@pytest.mark.parametrize("name", [*main.commands])
def test_every_command_has_help_with_an_example(call: Call, name: str) -> None:
    text = call(name, "--help").stdout
    assert "Example" in text
    assert f"swardwright {name}" in text


@pytest.mark.parametrize("name", ["permit", "run"])
def test_what_leads_to_fire_says_that_it_is_not_a_safety_function(call: Call, name: str) -> None:
    text = " ".join(call(name, "--help").stdout.split())
    assert "not a safety function" in text
    assert "authority having jurisdiction" in text


def test_a_recording_without_pictures_gives_its_poses(own_site: Path, call: Call, logs: Any, tmp_path: Path) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log(with_pictures=False, with_info=False, with_joints=False))
    done = call("take-in", own_site, path)
    assert done.exit_code == 0, done.stderr
    assert "no pictures in this recording" in done.stdout
    with opened(own_site) as at:
        (recording,) = at.store.recordings()
        track = at.store.track(recording.name)
    assert recording.poses_found == 81  # 4 s of odometry at 20 Hz, both ends
    assert recording.distance_m == pytest.approx(2.0)  # 0.5 m/s
    assert track is not None
    assert track.poses[-1].x_m == pytest.approx(2.0, abs=0.01)


def test_the_site_says_what_is_next_and_what_is_stale(own_site: Path, call: Call, logs: Any, tmp_path: Path) -> None:
    def told() -> dict[str, Any]:
        found: dict[str, Any] = json.loads(call("status", own_site, "--json").stdout)
        found["states"] = {r["name"]: (r["state"], r["why"]) for r in found["results"]}
        return found

    assert told()["next"] == "survey"
    path = logs.write_log(tmp_path / "drive", logs.Log())
    assert call("take-in", own_site, path).exit_code == 0
    assert told()["next"] == "detect"
    assert told()["states"] == {"frames drive-one.mcap": ("stands", "")}
    site_file = own_site / "site.toml"
    text = site_file.read_text()
    site_file.write_text(text + "# a remark changes nothing\n")
    assert told()["states"]["frames drive-one.mcap"][0] == "stands"
    site_file.write_text(text.replace('wind_max = "5 m/s"', 'wind_max = "4 m/s"'))
    assert told()["states"]["frames drive-one.mcap"][0] == "stands"  # frames are not made from the wind limit
    site_file.write_text(text.replace('x = "0 m"', 'x = "1 m"', 1))
    state, why = told()["states"]["frames drive-one.mcap"]
    assert state == "stale"
    assert "start" in why
    assert told()["next"] == "take-in"
    assert call("take-in", own_site).exit_code == 0  # without naming it: what is stale is read again
    assert told()["states"]["frames drive-one.mcap"][0] == "stands"
    with opened(own_site) as at:
        assert at.frames()[0].base is not None
        assert at.frames()[0].base.x_m == pytest.approx(1.0 + 0.5 * 0.333, abs=0.02)


def test_what_hangs_on_something_stale_is_stale(own_site: Path, call: Call, logs: Any, tmp_path: Path) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log())
    assert call("take-in", own_site, path).exit_code == 0
    site = open_site(own_site, write=True)
    frames = site.frames()
    # three looks at one plant: seen just below the camera's middle in each picture
    found = tuple(
        Detection(f"{f.id}#0", f.id, 32.0, 24.0, 2.0, 0.9, (("clover", 1.0),)) for f in frames
    )  # fmt: skip
    with site.store.writer():
        site.store.set_detections("drive-one.mcap", found)
        made = site.store.results()
        site.store.set_result("detections drive-one.mcap", found, {
            "frames drive-one.mcap": made["frames drive-one.mcap"].hash,
        })  # fmt: skip
    site.close()
    done = call("locate", own_site)
    assert done.exit_code == 0, done.stderr
    with opened(own_site) as at:
        assert at.register() is not None
        assert len(at.sightings()) == len(frames)
        assert {s.state for s in at.status().standings} == {"stands"}
    eye = own_site / "camera.yaml"
    before = eye.read_text()
    eye.write_text(before.replace("[50.0, 0.0", "[51.0, 0.0"))
    with opened(own_site) as at:
        states = {s.name: s.state for s in at.status().standings}
    assert states["frames drive-one.mcap"] == "stale"
    assert states["register 1"] == "stale"
    # whatever is asked for, the remedy is the first step to do again, and nothing is made from what is stale
    for command, result in (("plan", "register 1"), ("locate", "detections drive-one.mcap"),
                            ("detect", "frames drive-one.mcap")):  # fmt: skip
        refused = call(command, own_site)
        assert refused.exit_code == 2
        assert f"{result} is stale" in refused.stderr
        assert f"run: swardwright take-in {own_site}" in refused.stderr
    with opened(own_site) as at:
        assert [r.revision for r in at.store.revisions()] == [1]
    eye.write_text(before)
    (own_site / "recordings" / "drive-one.mcap").unlink()
    gone = call("locate", own_site)
    assert gone.exit_code == 2
    assert "is no longer there" in gone.stderr
    assert "put it back" in gone.stderr


def test_a_take_in_that_is_killed_leaves_the_site_as_it_was(
    own_site: Path, call: Call, tree: Callable[[Path], dict[str, str]], logs: Any, tmp_path: Path
) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log())
    before = tree(own_site)
    code = (
        "import os, signal, sys\nimport swardwright.shell.store as s\n"
        "def die(*a): os.kill(os.getpid(), signal.SIGKILL)\n"
        "s.SiteStore.set_result = die\n"
        "from swardwright.shell.command_line import main\nmain(sys.argv[1:])\n"
    )
    done = subprocess.run([sys.executable, "-c", code, "take-in", str(own_site), str(path)], check=False,
                          capture_output=True, env=os.environ)  # fmt: skip
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    assert json.loads(call("status", own_site, "--json").stdout)["results"] == []
    assert not (own_site / "recordings" / path.name).exists()
    done_again = call("take-in", own_site, path)
    states = [r["state"] for r in json.loads(call("status", own_site, "--json").stdout)["results"]]
    assert states == ["stands"], done_again.stderr
    assert set(before) <= set(tree(own_site))
    assert not list((own_site / "recordings").glob(".*"))


def test_an_interrupt_is_one_sentence(own_site: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("swardwright.shell.finding.locate_site", interrupt)
    done = call("locate", own_site)
    assert done.exit_code == 130
    assert "not stored" in done.stderr


def test_a_fault_of_ours_is_exit_status_1(own_site: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_down(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("oh")

    monkeypatch.delenv("SWARDWRIGHT_TRACEBACK", raising=False)
    monkeypatch.setattr("swardwright.shell.finding.locate_site", break_down)
    done = call("locate", own_site)
    assert done.exit_code == 1
    assert "a fault of this program" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["found.json", "found.csv"])
def test_photographs_in_a_plain_folder(call: Call, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    rng = np.random.default_rng(1)
    for number in range(2):
        cv2.imwrite(str(folder / f"{number}.png"), rng.integers(0, 90, (96, 128, 3), dtype=np.uint8))
    done = call("detect", folder, "--out", tmp_path / name, "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["photographs"] == 2
    text = (tmp_path / name).read_text()
    assert text.startswith("[" if name.endswith("json") else "picture,u_px,v_px")
    (folder / "cut.png").write_bytes((folder / "0.png").read_bytes()[:100])
    assert call("detect", folder).exit_code == 2


def test_a_site_from_a_recordings_own_camera(call: Call, urdf: str, logs: Any, tmp_path: Path) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log())
    (tmp_path / "two.urdf").write_text(urdf)
    done = call(
        "init", tmp_path / "lawn", "--urdf", tmp_path / "two.urdf", "--from-recording", path, "--size", "600 cm, 4 m",
        "--start", "1 m, 2 m, 90 deg", "--topic", "odometry=/odom", "--kind", "dock", "--kind", "Yellow Foxtail",
        "--spare", "daisy",
        "--set", "errors.mount=4 mm",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    with opened(tmp_path / "lawn") as at:
        site = at.site
    assert (site.rig.camera.fx_px, site.rig.camera.width_px) == (50.0, 64)  # as the log's CameraInfo says
    assert site.start.as_array() == pytest.approx([1.0, 2.0, np.pi / 2])
    assert site.zones[0].corners_m == ((0.0, 0.0), (6.0, 0.0), (6.0, 4.0), (0.0, 4.0))
    assert site.topics.odometry == "/odom"
    assert [(k.name, k.treat) for k in site.kinds] == [("dock", True), ("Yellow Foxtail", True), ("daisy", False)]
    assert "guess" in site.kinds[0].source
    assert "86 kg/ha" in site.kinds[1].source  # Ulloa 2010: 90 % at 86 kg/ha; slope 3.02: 86 / 9^(1 / 3.02) = 41.5
    assert site.kinds[1].ed50_kg_m2 == pytest.approx(41.5e-4)
    assert site.rig.errors.mount_m == pytest.approx(0.004)
    # the median of joint a over the pictures at 0.333, 1.333, 2.333, 3.333 s of 1 rad/s
    assert site.rig.survey_joints_rad[0] == pytest.approx(1.833, abs=0.01)
    assert call("take-in", tmp_path / "lawn", path).exit_code == 0


def test_whoever_reads_only_the_first_line_is_not_told_of_a_fault(own_site: Path) -> None:
    """As with ``swardwright ... | head -1``: the reader has gone before the rest is written."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run([sys.executable, "-m", "swardwright", "status", str(own_site)], check=False,
                              stdout=writer, stderr=subprocess.PIPE, env=os.environ)  # fmt: skip
    finally:
        os.close(writer)
    assert done.stderr == b""
    assert done.returncode == 141
