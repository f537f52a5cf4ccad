"""``swardwright track``: what it writes, says and refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import Result

Call = Callable[..., Result]


@pytest.fixture
def drive(logs: Any, tmp_path: Path) -> Path:
    log = logs.Log(with_pictures=False, with_info=False, with_joints=False, with_gyro=True, fixes=True, seconds=8.0)
    path: Path = logs.write_log(tmp_path / "drive", log)
    return path


@pytest.fixture
def site_at_fixes(own_site: Path) -> Path:
    """The drive's fixes start at latitude and longitude 0 and go east."""
    toml = own_site / "site.toml"
    text = toml.read_text()
    lines = []
    for line in text.splitlines():
        word = line.split("=")[0].strip()
        lines.append({"latitude": 'latitude = "0 deg"', "longitude": 'longitude = "0 deg"'}.get(word, line))
    toml.write_text("\n".join(lines) + "\n")
    return own_site


def test_track_writes_tum_and_figure(site_at_fixes: Path, call: Call, drive: Path, tmp_path: Path) -> None:
    out = tmp_path / "way.tum"
    done = call("track", site_at_fixes, drive, "--out", out, "--rate", "5", "--json")
    assert done.exit_code == 0, done.stderr
    data = json.loads(done.stdout)
    table = np.loadtxt(out)
    assert table.shape == (41, 8)  # 8 s at 5 a second, both ends
    np.testing.assert_allclose(np.diff(table[:, 0]), 0.2, atol=1e-6)
    np.testing.assert_allclose(np.linalg.norm(table[:, 4:], axis=1), 1.0, atol=1e-9)
    assert table[-1, 1] - table[0, 1] == pytest.approx(4.0, abs=0.05)  # 0.5 m/s east
    assert data["length_m"] == pytest.approx(4.0, abs=1e-6)
    # 41 fixes; brought to their own time, the first or last may lie just outside the odometry's
    assert data["fixes_used"] >= 40
    assert data["fixes_used"] + data["fixes_refused"] == 41
    assert data["fix_kind"] == "RTK"
    assert data["gyro_used"]
    assert set(data["shared_errors"]) == {
        "odometry scale", "turn scale", "gyro bias", "gyro scale", "lateness of fixes",
    }  # fmt: skip
    assert data["odometry_alone"]["end_off_m"] < 0.2
    assert out.with_suffix(".png").read_bytes().startswith(b"\x89PNG")


def test_track_takes_the_newest_recording_and_says_where(own_site: Path, call: Call, logs: Any, tmp_path: Path) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log(with_pictures=False, with_info=False, with_joints=False))
    (own_site / "recordings").mkdir(exist_ok=True)
    path.rename(own_site / "recordings" / "tuesday.mcap")
    done = call("track", own_site)
    assert done.exit_code == 0, done.stderr
    assert "tuesday.mcap: 2.0 m in 4 s, from wheels." in done.stdout
    assert (own_site / "reports" / "track-tuesday.tum").is_file()
    again = call("track", own_site, "tuesday.mcap")
    assert again.exit_code == 0, again.stderr
    assert "those before were replaced" in again.stdout


def test_track_never_overwrites_what_is_named(own_site: Path, call: Call, drive: Path, tmp_path: Path) -> None:
    out = tmp_path / "way.tum"
    out.write_text("mine")
    done = call("track", own_site, drive, "--out", out)
    assert done.exit_code == 2
    assert "there is a file of that name already" in done.stderr
    assert out.read_text() == "mine"


@pytest.mark.parametrize(("words", "sentence"), [
    (["nowhere.mcap"], "there is no such recording"),
    ([], "there is no recording to follow"),
], ids=["missing", "none"])  # fmt: skip
def test_track_needs_a_recording(own_site: Path, call: Call, words: list[str], sentence: str) -> None:
    done = call("track", own_site, *words)
    assert done.exit_code == 2
    assert sentence in done.stderr


def test_track_needs_odometry_and_a_known_ending(own_site: Path, call: Call, logs: Any, tmp_path: Path) -> None:
    path = logs.write_log(tmp_path / "still", logs.Log(with_odometry=False))
    done = call("track", own_site, path)
    assert done.exit_code == 2
    assert "no odometry" in done.stderr or "poses" in done.stderr
    done = call("track", own_site, path, "--out", tmp_path / "way.csv")
    assert done.exit_code == 2
    assert ".tum or .txt" in done.stderr


def test_a_drive_too_long_for_the_rate_is_refused(
    own_site: Path, call: Call, drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("swardwright.footage.following.POSES_MAX", 1600)
    done = call("track", own_site, drive, "--rate", "200")  # 8 s at 200 a second are 1,601 poses
    assert done.exit_code == 2
    assert "too many poses" in done.stderr
    assert "ask for fewer a second" in done.stderr
