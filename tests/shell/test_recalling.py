"""Every register revision can be recalled, compared, drawn and written out."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.weed import Change, Register, Weed
from swardwright.shell.open_site import opened
from swardwright.shell.recalling import chain, compare

Call = Callable[..., Result]


def weed(number: int, x: float, y: float = 1.0, presence: float = 0.95, kind: str = "clover", **more: Any) -> Weed:
    return Weed(f"w{number:04d}", np.array([x, y]), 25e-6 * np.eye(2), 0.03, 0.003, presence, ((kind, 0.9),), **more)


#: the second is built on the first: w1 stays, w2 moved by 4 sigma, w3 gone, w4 merged into w1, w5 heated, w6 back,
#: w7 of another kind, w8 split off w1, w9 new, w10 only doubted
FIRST = Register(1, (weed(1, 1.0), weed(2, 2.0), weed(3, 3.0), weed(4, 1.03), weed(5, 4.0, looks=2),
                     weed(6, 5.0, presence=0.01), weed(7, 5.5)))  # fmt: skip
SECOND = Register(
    2, (weed(1, 1.002), weed(2, 2.02), weed(3, 3.0, presence=0.01, looks=4),
        weed(5, 4.0, presence=0.05, heat_kg_m2=0.01, looks=2), weed(6, 5.0), weed(7, 5.5, kind="daisy"),
        weed(8, 1.05), weed(9, 0.5), weed(10, 0.2, presence=0.1)),
    notes=("w0003 is gone",),
    changes=(Change("merged", "w0004", "w0004 was found to be the same plant as w0001", ("w0001",)),
             Change("gone", "w0003", "w0003 is gone: looked for 4 times"),
             Change("split", "w0008", "w0001 was two plants", ("w0001",))),
    based_on=1,
)  # fmt: skip
#: began anew: other names for the same places, one plant fewer and one more
THIRD = Register(3, (weed(1, 2.021), weed(2, 1.001), weed(3, 6.0)))


@pytest.fixture
def site(own_site: Path) -> Path:
    with opened(own_site, write=True) as at, at.store.writer():
        for register, names in ((FIRST, ["a"]), (SECOND, ["a", "b"]), (THIRD, ["c"])):
            at.store.add_register(register, made_by="locate", recordings=names)
    return own_site


def test_by_name_where_one_was_built_on_the_other() -> None:
    found = compare(FIRST, SECOND, SECOND.changes, 0.6)
    assert {d.what: d.weed_id for d in found.differences} == {
        "new": "w0009", "gone": "w0003", "heated": "w0005", "returned": "w0006", "split": "w0008", "merged": "w0004",
        "moved": "w0002", "kind changed": "w0007",
    }  # fmt: skip
    assert len(found.differences) == 8
    assert [a.id for a, _ in found.same] == ["w0001", "w0002", "w0007"]
    by_what = {d.what: d for d in found.differences}
    assert by_what["gone"].reason == "w0003 is gone: looked for 4 times"  # as recorded
    assert by_what["merged"].others == by_what["split"].others == ("w0001",)
    assert by_what["moved"].moved_sigma == pytest.approx(4.0)  # 20 mm at 5 mm
    assert not found.by_place
    same = compare(SECOND, SECOND, (), 0.6)
    assert (same.differences, same.sentence()) == ((), "nothing changed")


def test_by_place_where_they_have_nothing_in_common_but_the_ground() -> None:
    found = compare(SECOND, THIRD, None, 0.6)
    assert found.by_place
    assert {(a.id, b.id) for a, b in found.same} == {("w0002", "w0001"), ("w0001", "w0002")}
    whats = [(d.what, d.weed_id) for d in found.differences]
    assert whats == [("new", "w0003"), ("gone", "w0006"), ("gone", "w0007"), ("gone", "w0008"), ("gone", "w0009")]


def test_the_changes_of_every_revision_on_the_way_count(site: Path) -> None:
    fourth = Register(4, SECOND.weeds, changes=(Change("new", "w0011", "w0011 is new"),), based_on=2)
    with opened(site, write=True) as at, at.store.writer():
        at.store.add_register(fourth, made_by="run", recordings=["a", "b"])
        assert chain(at.store, fourth, FIRST) == (*SECOND.changes, *fourth.changes)
        assert chain(at.store, fourth, THIRD) is None
        kept = at.store.register(2)
    assert kept is not None
    assert (kept.changes, kept.based_on) == (SECOND.changes, 1)  # as stored, so read


def test_listed_and_shown(site: Path, call: Call) -> None:
    listed = call("register", site)
    assert listed.exit_code == 0, listed.stderr
    lines = listed.stdout.splitlines()
    assert [line.split()[0] for line in lines[1:4]] == ["1", "2", "3"]
    assert "built on 1" in lines[2]
    assert "from a, b" in lines[2]
    shown = call("register", site, "--revision", "2")
    assert "w0003 is gone" in shown.stdout
    assert "1 new, 1 gone, 1 heated, 1 back, 1 split, 1 merged, 1 moved, 1 of another kind" in shown.stdout
    assert "w0001 was two plants." in shown.stdout
    assert "nobody has looked yet" in shown.stdout
    drawn = site / "reports" / "register-2-since-1.png"
    picture = cv2.imread(str(drawn))
    assert picture.shape[1] > 800
    assert len(np.unique(picture.reshape(-1, 3), axis=0)) > 20
    assert not list(drawn.parent.glob(".*"))
    backwards = call("register", site, "--revision", "1", "--since", "2")
    assert "against 1: 1 new" in backwards.stdout  # the older one is always the one compared with
    alone = call("register", site, "--revision", "1", "--json")
    data = json.loads(alone.stdout)
    assert data["revision"] == 1
    assert len(data["weeds"]) == 7
    assert "differences" not in data
    by_place = json.loads(call("register", site, "--since", "2", "--json").stdout)
    assert by_place["by_place"] is True
    assert by_place["counts"] == {"new": 1, "gone": 4}
    assert len(by_place["differences"]) == 5
    assert [r["plants"] for r in by_place["revisions"]] == [6, 6, 3]


def test_written_out_whole_and_never_over_another_file(site: Path, call: Call, tmp_path: Path) -> None:
    table, places, figure = tmp_path / "t.csv", tmp_path / "p.geojson", tmp_path / "f.svg"
    done = call("register", site, "--revision", "2", "--out", table, "--figure", figure)
    assert done.exit_code == 0, done.stderr
    assert figure.read_text().startswith("<?xml")
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert [r["weed"] for r in rows] == [w.id for w in SECOND.weeds]
    # 95 % ellipse of 5 mm per axis: sqrt(chi-square 0.95, 2 degrees of freedom = 5.991) x 5 mm
    assert float(rows[0]["ellipse_95_long_m"]) == pytest.approx(np.sqrt(5.991) * 0.005, rel=1e-3)
    assert call("register", site, "--revision", "1", "--out", places).exit_code == 0
    features = json.loads(places.read_text())["features"]
    assert sum(f["properties"]["what"] == "weed" for f in features) == 7
    before = table.read_text()
    assert call("register", site, "--out", table).exit_code == 2
    assert table.read_text() == before
    assert call("register", site, "--revision", "1", "--out", table, "--force").exit_code == 0
    assert len(table.read_text().splitlines()) == 8
    assert {p.name for p in tmp_path.glob("*.part")} == set()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--revision", "9"), "no such revision"),
        (("--since", "9"), "no such revision"),
        (("--out", "x.txt"), "known ending"),
        (("--figure", "x.jpg"), "known ending"),
        (("--out", "no/such/folder/x.csv"), "cannot be written"),
    ],
)
def test_wrong_input_is_one_sentence_and_changes_nothing(
    site: Path, refused: Callable[..., str], words: tuple[str, str], told: str
) -> None:
    assert told in refused(site, "register", site, *words)


def test_a_site_without_a_register_says_what_to_do(own_site: Path, refused: Callable[..., str]) -> None:
    assert "no register yet" in refused(own_site, "register", own_site)
