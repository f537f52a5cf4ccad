"""``calibrate aim`` on rendered photographs, and every way of giving it what it cannot use."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import SiteError
from swardwright.shell.site_edit import with_fields
from swardwright.simulation.marked_sheet import Scorched, photograph, view_of

SIZE_PX = (1000, 720)
BOARD = ("--board", "6x5", "--square", "14mm")
OFFSET = np.array([0.006, -0.004])


def write_sheet(folder: Path, *, holds: tuple[float, ...] = (1, 2, 4, 8), marks: bool = True) -> None:
    """Write ``sheet.png`` and ``aims.csv``: 14 marks with a known offset, a chessboard in the corner."""
    rng = np.random.default_rng(3)
    to_sheet = np.array([[1, 0, 0.03], [0, 1, 0.03], [0, 0, 1.0]])
    view = view_of((0.46, 0.33), SIZE_PX, rng) @ to_sheet
    view /= view[2, 2]
    places = [(0.02 + 0.085 * i, 0.045 + 0.1 * j) for j in range(3) for i in range(5)]
    places = [p for p in places if not (p[0] < 0.12 and p[1] < 0.1)]
    scorched, rows = [], ["aim,x_mm,y_mm,dwell_s"]
    for n, (x, y) in enumerate(places):
        hold = holds[n % len(holds)]
        centre = np.array([x, y]) + OFFSET + rng.normal(0, 0.003, 2)
        scorched.append(Scorched(centre[0], centre[1], 0.012 * math.sqrt(2 * math.log(hold / 0.6))))
        rows.append(f"a{n:02d},{1e3 * x:.1f},{1e3 * y:.1f},{hold}")
    image = photograph(scorched if marks else [], view, SIZE_PX, rng, aims_m=places, chessboard=(6, 5, 0.014))
    cv2.imwrite(str(folder / "sheet.png"), image[..., ::-1])
    (folder / "aims.csv").write_text("\n".join(rows) + "\n")


@pytest.fixture(scope="session")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sheet")
    write_sheet(folder)
    return folder


def test_the_whole_way(own_site: Path, sheet: Path, call: Callable[..., Any]) -> None:
    words = ("calibrate", "aim", own_site, sheet / "sheet.png", "--aims", sheet / "aims.csv", *BOARD)
    before = (own_site / "site.toml").read_text()
    done = call(*words)
    assert done.exit_code == 0, done.stderr
    assert "mm off the aim" in done.stdout
    assert "water at hand" in done.stdout
    assert 'offset_x = "' in done.stdout
    assert (own_site / "reports" / "aim.png").stat().st_size > 20_000
    assert (own_site / "site.toml").read_text() == before  # the person's file
    data = json.loads(call(*words, "--json").stdout)
    assert data["marks"] == 13
    assert data["offset_m"] == pytest.approx(OFFSET, abs=4 * 0.003 / math.sqrt(13))
    assert data["footprint"]["sigma_m"] == pytest.approx(0.012, rel=0.02)
    assert data["landing_sigma_95_m"][0] < 0.003 < data["landing_sigma_95_m"][1]
    assert "the one before was replaced" in call(*words).stdout


def test_written_on_request_with_the_old_file_kept(own_site: Path, sheet: Path, call: Callable[..., Any]) -> None:
    words = (
        "calibrate",
        "aim",
        own_site,
        sheet / "sheet.png",
        "--aims",
        sheet / "aims.csv",
        *BOARD,
        "--write",
        "--json",
    )
    before = (own_site / "site.toml").read_text()
    data = json.loads(call(*words).stdout)
    assert (own_site / data["kept"]).read_text() == before
    head = tomllib.loads((own_site / "site.toml").read_text())["head"]
    assert head["offset_x"] == f"{1e3 * data['offset_m'][0]:.1f} mm"
    assert "# spread of heat on the ground" in (own_site / "site.toml").read_text()
    from swardwright.shell.site_file import load_site

    rig = load_site(own_site).rig
    assert rig.head.offset_m == pytest.approx(data["offset_m"], abs=5.1e-5)
    assert rig.head.aim_sigma_m == pytest.approx(math.hypot(rig.head.landing_sigma_m, rig.head.offset_sigma_m))
    # a second sheet is taken to have been heated with that offset in use: what it finds comes on top
    again = json.loads(call(*words[:-2], "--json").stdout)
    assert float(again["head"]["offset_x"].removesuffix(" mm")) == pytest.approx(2e3 * data["offset_m"][0], abs=0.11)
    alone = json.loads(call(*words[:-2], "--aimed-without-offset", "--json").stdout)
    assert alone["head"]["offset_x"] == data["head"]["offset_x"]


def test_named_corners_do_as_well(own_site: Path, sheet: Path, call: Callable[..., Any], tmp_path: Path) -> None:
    """Corners in pixels by OpenCV from the board: the same marks, the same offset, less surely registered."""
    image = cv2.imread(str(sheet / "sheet.png"))
    found, corners = cv2.findChessboardCorners(image, (6, 5))
    assert found
    grid = corners[:, 0] if corners[0, 0, 0] < corners[-1, 0, 0] else corners[::-1, 0]
    points = np.array([(0.014 * (i % 6), 0.014 * (i // 6)) for i in range(30)])
    homography, _ = cv2.findHomography(points, grid)
    frame = np.array([[0, 0], [0.4, 0], [0.4, 0.28], [0, 0.28]])
    pixels = cv2.perspectiveTransform(frame[:, None], homography)[:, 0]
    text = " ".join(f"{u:.1f},{v:.1f}" for u, v in pixels)
    words = ("--corners", text, "--size", "400 mm, 280 mm", "--json")
    done = call("calibrate", "aim", own_site, sheet / "sheet.png", "--aims", sheet / "aims.csv", *words)
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["offset_m"] == pytest.approx(OFFSET, abs=4 * 0.003 / math.sqrt(13))


def test_one_dwell_leaves_the_footprint_open(own_site: Path, call: Callable[..., Any], tmp_path: Path) -> None:
    write_sheet(tmp_path, holds=(3,))
    done = call("calibrate", "aim", own_site, tmp_path / "sheet.png", "--aims", tmp_path / "aims.csv", *BOARD)
    assert done.exit_code == 0
    assert "not told by these marks: all dwell times are alike" in done.stdout
    assert "footprint_sigma" not in done.stdout


def test_a_sheet_without_marks(own_site: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    write_sheet(tmp_path, marks=False)
    said = refused(
        own_site, "calibrate", "aim", own_site, tmp_path / "sheet.png", "--aims", tmp_path / "aims.csv", *BOARD
    )
    assert "no mark is seen" in said


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace("a03,", "a02,"), "a name of its own"),
        (lambda t: t.replace("x_mm", "x"), "one column with x and its unit"),
        (lambda t: t.replace("dwell_s", "dwell"), "columns are missing"),
        (lambda t: t.replace("a02,", "a02,nan"), "a finite number is needed"),
        (lambda t: t.replace(",2\n", ",-2\n"), "dwell time must be possible"),
        (lambda t: t.splitlines()[0] + "\n", "has no aims"),
        (lambda t: "", "one column with x"),
        (lambda t: t.replace("x_mm,y_mm", "x_cm,y_cm"), "outside the picture"),
        (lambda t: "".join(t.splitlines(True)[:4]), "too few marks"),
        (lambda t: t + "b,10,10,1\n", "printed board"),
    ],
)
def test_aims_that_cannot_be_used(
    own_site: Path, sheet: Path, tmp_path: Path, refused: Callable[..., str], change: Callable[[str], str], says: str
) -> None:
    (tmp_path / "mine.csv").write_text(change((sheet / "aims.csv").read_text()))
    said = refused(own_site, "calibrate", "aim", own_site, sheet / "sheet.png", "--aims", tmp_path / "mine.csv", *BOARD)
    assert says in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "exactly one board is needed"),
        (("--board", "6x4", "--square", "14mm"), "half a turn looks the same"),
        (("--board", "9x6", "--square", "14mm"), "the board is not found"),
        (("--corners", "1,2 3,4"), "belong together"),
        (("--corners", "1,2 3,4", "--size", "1 m, 1 m"), "four corners are needed"),
        (("--corners", "1,2 3,4 5,6 7,8", "--size", "1 m, 1 m"), "do not span the sheet"),
        (("--corners", "1,2 900,4 900,600 7,700", "--size", "1 m"), "a width and a height"),
        ((*BOARD, "--corners", "1,2 9,4 9,6 7,8", "--size", "1 m, 1 m"), "one too many"),
        ((*BOARD, "--lens"), "another size than the site's camera"),
        ((*BOARD, "--wanted", "0 mm"), "more than 0"),
        ((*BOARD, "--spin", "3"), "a number and a unit"),
    ],
)
def test_options_that_cannot_be_used(
    own_site: Path, sheet: Path, refused: Callable[..., str], words: tuple[str, ...], says: str
) -> None:
    start = ("calibrate", "aim", own_site, sheet / "sheet.png", "--aims", sheet / "aims.csv")
    assert says in refused(own_site, *start, *words)


def test_pictures_that_cannot_be_used(own_site: Path, sheet: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    cut = tmp_path / "cut.png"
    cut.write_bytes((sheet / "sheet.png").read_bytes()[:20_000])
    (tmp_path / "text.jpg").write_text("no picture")
    aims = ("--aims", sheet / "aims.csv", *BOARD)
    assert "cut short" in refused(own_site, "calibrate", "aim", own_site, cut, *aims)
    assert "cannot be read" in refused(own_site, "calibrate", "aim", own_site, tmp_path / "text.jpg", *aims)
    assert "no such picture" in refused(own_site, "calibrate", "aim", own_site, tmp_path / "none.png", *aims)
    pair = (sheet / "sheet.png", tmp_path / "text.jpg")
    assert "do not belong together" in refused(own_site, "calibrate", "aim", own_site, *pair, *aims)
    bad = ("--figure", tmp_path / "figure.txt")
    assert "known ending" in refused(own_site, "calibrate", "aim", own_site, sheet / "sheet.png", *aims, *bad)


def test_fields_are_changed_one_by_one(own_site: Path) -> None:
    text = (own_site / "site.toml").read_text()
    changed = with_fields(text, "head", {"landing_sigma": "5 mm", "offset_x": "1 mm"})
    before, after = text.splitlines(), changed.splitlines()
    assert len(after) == len(before) + 1
    assert [line for line in after if line not in before] == [
        'landing_sigma = "5 mm"      # where heat lands about the aim, wind and flame wander included',
        'offset_x = "1 mm"',
    ]
    assert with_fields(changed, "head", {"landing_sigma": "5 mm", "offset_x": "1 mm"}) == changed
    with pytest.raises(SiteError, match="no table"):
        with_fields(text, "heads", {"offset_x": "1 mm"})
    with pytest.raises(SiteError, match="is not a unit of length"):
        with_fields(text, "head", {"offset_x": "1 deg"})
