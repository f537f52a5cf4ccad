"""The reach map kept in the site folder: taken as it was, never believed, never in the way."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from swardwright.domain.site import Rig
from swardwright.planning import reach_map as maps
from swardwright.shell.reach_cache import keep_reach, recall_reach
from swardwright.shell.site_file import load_site
from swardwright.simulation import write_scenario


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Rig, bytes]:
    folder = tmp_path_factory.mktemp("kept")
    write_scenario(folder, 0)
    rig = load_site(folder).rig
    keep_reach(folder, rig)
    (file,) = (folder / "cache").iterdir()
    return folder, rig, file.read_bytes()


@pytest.fixture
def remembered(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, Rig], maps.ReachMap | None]:
    """Recall in a process that has made no map; return what it then has."""

    def recall(folder: Path, rig: Rig) -> maps.ReachMap | None:
        monkeypatch.setattr(maps, "_MAPS", {})
        recall_reach(folder, rig)
        return next(iter(maps._MAPS.values()), None)

    return recall


def test_what_was_kept_comes_back(
    kept: tuple[Path, Rig, bytes], remembered: Callable[..., maps.ReachMap | None]
) -> None:
    folder, rig, _ = kept
    made = maps.reach_map(rig)
    back = remembered(folder, rig)
    assert back is not None
    assert back is not made
    for name in ("first_m", "reached", "sure", "quality", "tilt_rad", "joints_rad", "limit_share"):
        assert np.array_equal(getattr(back, name), getattr(made, name), equal_nan=True), name


def test_another_rigs_map_is_not_taken(
    kept: tuple[Path, Rig, bytes], remembered: Callable[..., maps.ReachMap | None]
) -> None:
    folder, rig, _ = kept
    higher = replace(rig, head=replace(rig.head, standoff_m=0.2))
    assert remembered(folder, higher) is None
    with np.load(next((folder / "cache").iterdir()), allow_pickle=False) as data:
        assert not maps.from_arrays(higher, dict(data))  # even under the right name: no posture is on its aim


class _Trap:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return exec, ("raise SystemExit('a pickle was run')",)


@pytest.mark.parametrize("damage", ["cut", "empty", "text", "pickle", "moved", "folder", "flipped"])
def test_a_damaged_file_is_passed_over(
    kept: tuple[Path, Rig, bytes], remembered: Callable[..., maps.ReachMap | None], tmp_path: Path, damage: str
) -> None:
    folder, rig, content = kept
    name = next((folder / "cache").iterdir()).name
    path = tmp_path / "cache" / name
    path.parent.mkdir()
    if damage == "folder":
        path.mkdir()
    elif damage == "moved":
        with np.load(folder / "cache" / name, allow_pickle=False) as data:
            arrays = dict(data)
        arrays["joints_rad"] = np.clip(arrays["joints_rad"] + 0.01, rig.arm.lower_rad, rig.arm.upper_rad)
        with path.open("wb") as file:
            np.savez(file, **arrays)
    elif damage == "pickle":
        with path.open("wb") as file:
            np.savez(file, joints_rad=np.array([_Trap()], dtype=object), first_m=np.zeros(2))
        assert b"exec" in pickle.dumps(_Trap())
    elif damage == "flipped":
        broken = bytearray(content)
        broken[len(broken) // 2] ^= 0xFF
        path.write_bytes(bytes(broken))
    else:
        path.write_bytes({"cut": content[: len(content) // 2], "empty": b"", "text": b"not a map"}[damage])
    assert remembered(tmp_path, rig) is None


def test_a_folder_that_takes_no_files_is_no_fault(kept: tuple[Path, Rig, bytes], tmp_path: Path) -> None:
    _, rig, _ = kept
    (tmp_path / "cache").write_text("a file stands where the folder would")
    keep_reach(tmp_path, rig)
    assert (tmp_path / "cache").is_file()
