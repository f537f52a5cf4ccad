"""Every bad input of a plan gets a clear answer at the command line: what is wrong, where, and what to do about it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.weed import Register, Weed
from swardwright.running import QUESTIONS
from swardwright.shell.open_site import opened

Refused = Callable[..., str]

ZONE = 'corners = ["0 m, 0 m", "12 m, 0 m", "12 m, 8 m", "0 m, 8 m"]'
JOINT = '<limit lower="-2.75" upper="2.75" velocity="1.5" effort="80"/>'
CYLINDER = 'cylinder = "0.40 kg"'
START = 'x = "-1.2 m"\ny = "0.5 m"'
PERMIT = ["--signed-by", "A. Keeper", "--temperature", "14 C", "--humidity", "75 %", "--wind", "2 m/s"]


def weed(name: str, x: float, y: float, kind: str = "plantain") -> Weed:
    return Weed(name, np.array([x, y]), 0.005**2 * np.eye(2), 0.02, 0.004, 0.97, ((kind, 1.0),))


#: a row along the south of the green
ROW = tuple(weed(f"w{i}", 1.0 + 0.7 * i, 2.0) for i in range(6))


def keep_out(name: str, west: float, south: float, east: float, north: float) -> str:
    corners = ", ".join(f'"{x} m, {y} m"' for x, y in ((west, south), (east, south), (east, north), (west, north)))
    return f'[[keep_outs]]\nname = "{name}"\ncorners = [{corners}]\nstandoff = "0 m"\n\n'


@pytest.fixture(scope="module")
def green(tmp_path_factory: pytest.TempPathFactory, call: Any) -> Path:
    folder = tmp_path_factory.mktemp("bad") / "green"
    assert call("init", folder, "--invented", "--seed", "7").exit_code == 0
    return folder


@pytest.fixture
def site(green: Path, tmp_path: Path) -> Callable[..., Path]:
    """A copy of the green with a register, and with its files changed."""

    def make(
        weeds: Sequence[Weed] = ROW, toml: Sequence[tuple[str, str]] = (), urdf: Sequence[tuple[str, str]] = (),
        keep_outs: str = "",
    ) -> Path:  # fmt: skip
        folder = tmp_path / "green"
        shutil.copytree(green, folder)
        with opened(folder, write=True) as at, at.store.writer():
            at.store.add_register(Register(1, tuple(weeds)), made_by="locate", recordings=[])
        changes = [*toml, ("# Kinds.", f"{keep_outs}# Kinds.")] if keep_outs else toml
        for name, pairs in (("site.toml", changes), ("robot.urdf", urdf)):
            path = folder / name
            text = path.read_text()
            for old, new in pairs:
                assert old in text, old
                text = text.replace(old, new, 1)
            path.write_text(text)
        return folder

    return make


@pytest.fixture
def planned(call: Any) -> Callable[..., dict[str, Any]]:
    """Plan a site; what the command says as data, its lines under ``"said"``."""

    def run(folder: Path, *words: str) -> dict[str, Any]:
        done = call("plan", folder, *words, "--json")
        assert done.exit_code == 0, done.stderr
        told: dict[str, Any] = json.loads(done.stdout)
        with opened(folder) as at:
            plan = at.plan()
        assert plan is not None
        held = {hold.weed_id for stop in plan.stops for hold in stop.holds}
        return told | {"held": held}

    return run


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (JOINT, JOINT.replace('"-2.75"', '"0"').replace('"2.75"', '"0"'), ("joint joint_4", "no range")),
        (JOINT, "", ("joint joint_4", "no limits")),
        (JOINT, JOINT.replace("1.5", "0"), ("joint joint_4", "no speed")),
        (JOINT, JOINT.replace("2.75", "nan"), ("joint joint_4",)),
        ('<joint name="joint_4" type="revolute">', '<joint name="joint_4" type="fixed">', ("6: joint_1", "7 angles")),
        ('<joint name="joint_4" type="revolute"><parent link="upper_arm_link"/>',
         '<joint name="joint_4" type="revolute"><parent link="no_such_link"/>', ("no_such_link",)),
    ],
)  # fmt: skip
def test_an_arm_with_joints_missing_or_without_range(
    site: Callable[..., Path], refused: Refused, old: str, new: str, words: tuple[str, ...]
) -> None:
    folder = site(urdf=[(old, new)])
    sentence = refused(folder, "plan", folder)
    for word in words:
        assert word in sentence, sentence


def test_an_arm_with_too_few_joints_for_the_head(site: Callable[..., Path], refused: Refused) -> None:
    """Four moving joints, and postures of four angles: the arm is whole, but cannot place and turn the head."""
    fixed = [(f'<joint name="joint_{n}" type="revolute">', f'<joint name="joint_{n}" type="fixed">') for n in (3, 5, 7)]
    folder = site(urdf=fixed)
    path = folder / "site.toml"
    lines = []
    for line in path.read_text().splitlines():
        if line.count("rad") == 7 and "[" in line:
            head, _, tail = line.partition("[")
            angles = tail.split('"')[1::2]
            kept = ", ".join(f'"{angles[n - 1]}"' for n in (1, 2, 4, 6))
            line = f"{head}[{kept}]{',' if line.rstrip().endswith(',') else ''}"
        lines.append(line)
    path.write_text("\n".join(lines))
    assert "at least five moving joints" in refused(folder, "plan", folder)


def test_a_head_link_that_does_not_exist(site: Callable[..., Path], refused: Refused) -> None:
    folder = site(toml=[('link = "head_tip"', 'link = "flame_tip"')])
    sentence = refused(folder, "plan", folder)
    for word in ("site.toml", "head.link", "flame_tip", "head_tip"):
        assert word in sentence


def test_a_zone_that_no_base_pose_can_serve(site: Callable[..., Path], planned: Callable[..., Any]) -> None:
    """Keep-outs all round a strip: its weeds are refused with the reason, the zone is named, the others are treated."""
    ring = (
        keep_out("moat south", 3, 18.5, 9, 19.9) + keep_out("moat north", 3, 21.1, 9, 22.5)
        + keep_out("moat west", 3, 18.5, 4.9, 22.5) + keep_out("moat east", 7.1, 18.5, 9, 22.5)
    )  # fmt: skip
    strip = '\n\n[[zones]]\nname = "island"\ncorners = ["5 m, 20 m", "7 m, 20 m", "7 m, 21 m", "5 m, 21 m"]'
    told = planned(site([*ROW, weed("far", 6, 20.5)], toml=[(ZONE, ZONE + strip)], keep_outs=ring))
    assert "far" not in told["held"]
    assert len(told["held"]) >= 5
    assert set(told["refused"]) == {"far"}
    assert "keep-outs" in told["refused"]["far"]
    assert any("no base pose serves the zone island" in note for note in told["notes"])


def test_keep_outs_that_cut_the_site_in_two(
    site: Callable[..., Path], planned: Callable[..., Any], call: Any
) -> None:  # fmt: skip
    """A ditch beyond the fourth weed, without a crossing: what lies behind is refused, the rest is planned."""
    near, far = [weed("a", 1.0, 2.0), weed("b", 1.5, 2.5)], [weed("c", 9.0, 2.0), weed("d", 9.5, 2.5)]
    folder = site([*near, *far], toml=[('control_fraction = "15 %"', 'control_fraction = "0 %"')],
                  keep_outs=keep_out("ditch", 5.4, -9, 5.6, 20))  # fmt: skip
    told = planned(folder)
    assert told["held"] == {"a", "b"}
    assert set(told["refused"]) == {"c", "d"}
    assert all(reason.startswith("no way leads there") for reason in told["refused"].values())
    assert "Refused: 2 - no way leads there, keep-outs cut the ground in two" in call("plan", folder).stdout


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ((CYLINDER, 'cylinder = "0 kg"'), ("gas.cylinder", "0 kg", "more than 0")),
        ((CYLINDER, 'cylinder = "2 g"'), ("gas.cylinder", "even a full cylinder gives nothing", "2 g")),
        (('fill = "100 %"', 'fill = "0 %"'), ("gas.fill", "the cylinder is empty", "0 %")),
        (('usable = "90 %"', 'usable = "0 %"'), ("gas.usable", "0 %")),
        (('flow = "0.12 g/s"', 'flow = "0 g/s"'), ("head.flow", "0 g/s")),
        (('ambient = "15 C"', 'ambient = "-45 C"'), ("gas.ambient", "colder than propane boils", "-45 C", "-42 C")),
        (('ambient = "15 C"', 'ambient = "-30 C"'), ("gas.regulator", "below what the regulator needs")),
    ],
)
def test_no_gas_comes_out(
    site: Callable[..., Path], refused: Refused, change: tuple[str, str], words: tuple[str, ...]
) -> None:
    folder = site(toml=[change])
    sentence = refused(folder, "plan", folder)
    for word in words:
        assert word in sentence, sentence


def test_a_start_on_a_keep_out(site: Callable[..., Path], refused: Refused) -> None:
    """Inside the hedge; and beside it, with a corner over it."""
    for place in ('x = "-0.5 m"\ny = "-1.0 m"', 'x = "-0.5 m"\ny = "-0.4 m"'):
        folder = site(toml=[(START, place)])
        assert "the base starts on the keep-out hedge" in refused(folder, "plan", folder)
        shutil.rmtree(folder)


def test_no_weeds_is_a_plan_with_nothing_to_do(site: Callable[..., Path], call: Any, refused: Refused) -> None:
    folder = site([])
    done = call("plan", folder)
    assert done.exit_code == 0
    assert done.stdout.splitlines()[0] == "round-1: nothing to treat: the register holds no weed."
    assert "Bring" not in done.stdout
    answers = [word for key, _, wanted in QUESTIONS for word in ("--answer", f"{key}={wanted}")]
    assert "heats nothing" in refused(folder, "permit", folder, *PERMIT, *answers)
    assert "heats nothing" in refused(folder, "run", folder)
    better = call("plan", folder, "--what-if")
    assert better.exit_code == 0
    assert "Nothing to treat, so nothing to gain" in better.stdout


def test_only_plants_to_spare(site: Callable[..., Path], call: Any) -> None:
    done = call("plan", site([weed("d1", 1, 1, "daisy"), weed("d2", 2, 1, "daisy")]))
    assert done.exit_code == 0
    assert done.stdout.startswith("round-1: nothing to treat; 0 controls, 2 refused.")
    assert "Refused: 2 - daisy is a kind to spare" in done.stdout


def test_all_weeds_in_one_spot(site: Callable[..., Path], planned: Callable[..., Any]) -> None:
    told = planned(site([weed(f"w{i:02d}", 3.0, 3.0) for i in range(30)]))
    assert (told["stops"], told["stops_bound"], told["controls"]) == (1, 1, round(0.15 * 30))
    assert told["weeds"] == 30 - round(0.15 * 30)
    assert any("are they one plant?" in note for note in told["notes"])


@pytest.mark.parametrize("place", [(float("nan"), 1.0), (1.0, float("inf")), (1.0,), (1.0, 2.0, 3.0)])
def test_a_place_that_is_no_place_cannot_be_registered(place: tuple[float, ...]) -> None:
    with pytest.raises(InputError, match="w7: mean_m: a weed's place must be two finite numbers") as error:
        Weed("w7", np.array(place), 1e-4 * np.eye(2), 0.02, 0.004, 0.9, (("plantain", 1.0),))
    assert error.value.remedy


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--limit", "food"), "'food' is not one of 'time', 'gas', 'battery'"),
        (("--day", "tomorrow"), "'tomorrow' is no day; write year, month and day, such as 2026-05-01"),
        (("--day", "2026-02-30"), "'2026-02-30' is no day"),
        (("--seed", "-1"), "-1 is not in the range"),
        (("--what-if", "--limit", "gas"), "--what-if compares whole plans"),
        (("--what-if", "--files"), "--what-if compares whole plans"),
    ],
)
def test_options_that_cannot_be(
    site: Callable[..., Path], call: Any, tree: Any, words: tuple[str, ...], said: str
) -> None:
    folder = site()
    before = tree(folder)
    done = call("plan", folder, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert tree(folder) == before


def test_a_round_that_no_stop_of_fits_the_gas(site: Callable[..., Path], refused: Refused, call: Any) -> None:
    """3 g: 0.43 g are left to burn after reserve and purge, and no stop takes less."""
    crowd = [weed(f"w{i:02d}", 3.0 + 0.1 * (i % 5), 3.0 + 0.1 * (i // 5)) for i in range(20)]
    folder = site(crowd, toml=[(CYLINDER, 'cylinder = "3 g"')])
    assert "does not even last for the first stop" in refused(folder, "plan", folder, "--limit", "gas")
    assert "gas limits" in call("plan", folder).stdout
