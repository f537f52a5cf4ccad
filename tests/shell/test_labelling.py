"""``labels``: nothing a person wrote is lost, versions can be told apart, and the rest says what to do next."""

from __future__ import annotations

import copy
import json
import shutil
import sqlite3
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.frame import Footage, Frame, Label
from swardwright.labels import read_coco
from swardwright.shell.codec import to_text
from swardwright.shell.label_samples import site_samples
from swardwright.shell.migrations import MIGRATIONS, migrate
from swardwright.shell.open_site import opened
from swardwright.shell.store import SiteStore

Call = Callable[..., Result]
Refused = Callable[..., str]
SIZE = (64, 48)


def draw(path: Path, seed: int, size: tuple[int, int] = SIZE) -> None:
    rng = np.random.default_rng(seed)
    image = np.clip(rng.normal((60, 110, 70), 25, (size[1], size[0], 3)), 0, 255).astype(np.uint8)
    cv2.circle(image, (20 + seed, 20), 8, (40, 200, 240), -1)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), image)


def coco(*pictures: tuple[str, list[tuple[float, float, float, int]]], size: tuple[int, int] = SIZE) -> dict[str, Any]:
    """COCO with boxes (u, v, radius, category) around crowns."""
    raw: dict[str, Any] = {
        "images": [], "annotations": [], "categories": [{"id": 1, "name": "dandelion"}, {"id": 2, "name": "daisy"}],
    }  # fmt: skip
    for n, (name, rows) in enumerate(pictures, start=1):
        raw["images"].append({"id": n, "file_name": name, "width": size[0], "height": size[1]})
        for u, v, r, kind in rows:
            raw["annotations"].append({
                "id": len(raw["annotations"]) + 1, "image_id": n, "category_id": kind,
                "bbox": [u + 0.5 - r, v + 0.5 - r, 2 * r, 2 * r],
            })  # fmt: skip
    return raw


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    for n, name in enumerate(("front/a.png", "front/b.png", "back/a.png")):
        draw(tmp_path / "photos" / name, n)
    return tmp_path / "photos"


FIRST = (("front/a.png", [(20.0, 20.0, 8.0, 1), (50.0, 30.0, 5.0, 2)]), ("front/b.png", [(21.0, 20.0, 8.0, 1)]),
         ("back/a.png", []))  # fmt: skip


def bring(call: Call, site: Path, raw: dict[str, Any], *words: str | Path, name: str = "labels.json") -> dict[str, Any]:
    path = site.parent / name
    path.write_text(json.dumps(raw))
    done = call("labels", "import", site, path, "--json", *words)
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


def test_pictures_from_outside_are_taken_in_by_folder(own_site: Path, photos: Path, call: Call) -> None:
    got = bring(call, own_site, coco(*FIRST), "--pictures", photos, "--author", "A. Keeper")
    assert got["version"] == 1
    assert (got["pictures"], got["labels"], got["bare"]) == (3, 3, 1)
    assert got["recordings"] == ["labels-back", "labels-front"]
    assert sorted(p.name for p in (own_site / "recordings" / "labels-front").iterdir()) == ["a.png", "b.png"]
    with opened(own_site) as at:
        assert [f.frame.recording for f in at.store.labelled()] == ["labels-back", "labels-front", "labels-front"]
        assert at.store.for_teaching("labels-front")
        [version] = at.store.label_versions()
        assert (version.author, version.source, version.pictures) == ("A. Keeper", "labels.json", 3)
        assert version.made_at_s == pytest.approx(time.time(), abs=120)
    assert "survey" in call("status", own_site).stdout  # what only teaches asks for no detecting or locating


def test_the_same_again_is_no_version_and_another_word_is_one(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    assert bring(call, own_site, coco(*FIRST), "--pictures", photos)["version"] is None
    other = (("front/a.png", [(23.0, 20.0, 8.0, 1)]), *FIRST[1:])
    got = bring(call, own_site, coco(*other), "--pictures", photos, "--author", "B. Other", name="second.json")
    assert (got["version"], got["changed"]) == (2, 1)
    assert got["recordings"] == []
    out = own_site.parent
    for version, count in ((1, 3), (2, 2)):
        done = call("labels", "export", own_site, "--out", out / f"v{version}.json", "--version", version)
        assert done.exit_code == 0, done.stderr
        assert sum(len(p.labels) for p in read_coco(out / f"v{version}.json").pictures) == count
    listed = json.loads(call("labels", "versions", own_site, "--json").stdout)["versions"]
    assert [v["author"] for v in listed][1] == "B. Other"
    assert listed[1]["changed"] == "1 pictures: 1 removed, 1 altered labels"


def test_labels_as_of_a_time(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    with opened(own_site, write=True) as at, at.store.writer():
        [a, *_] = [f for f in at.store.labelled() if f.labels]
        later = time.time() + 90_000.0
        at.store.add_labels([type(a)(a.frame, "", ())], author="later", source="x", now_s=later)
    assert call("labels", "export", own_site, "--out", own_site.parent / "now.json").exit_code == 0
    today = datetime.now().strftime("%Y-%m-%d %H:%M:%S")
    done = call("labels", "export", own_site, "--out", own_site.parent / "old.json", "--at", today)
    assert done.exit_code == 0, done.stderr
    counts = [sum(len(p.labels) for p in read_coco(own_site.parent / n).pictures) for n in ("now.json", "old.json")]
    assert counts[1] == 3
    assert counts[0] == 3 - len(a.labels)


def test_out_and_in_again_changes_nothing(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    out = own_site.parent / "out.json"
    assert call("labels", "export", own_site, "--out", out, "--pictures", own_site.parent / "p").exit_code == 0
    for more in ((), ("--pictures", own_site.parent / "p"), ("--pictures", photos)):
        done = call("labels", "import", own_site, out, "--json", *more)
        assert done.exit_code == 0, done.stderr
        assert json.loads(done.stdout)["version"] is None
    before = {f.id: f for f in opened_labels(own_site)}
    for picture in read_coco(out).pictures:
        [frame] = [f for f in before.values() if f"{f.frame.recording}/{f.frame.picture}" == picture.file_name]
        for a, b in zip(picture.labels, frame.labels, strict=True):
            assert (a.u_px, a.v_px, a.radius_px) == pytest.approx((b.u_px, b.v_px, b.radius_px), abs=1e-6)


def opened_labels(site: Path) -> tuple[Any, ...]:
    with opened(site) as at:
        return at.store.labelled()


def test_a_picture_is_known_by_its_content_under_another_name(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    shutil.copy(photos / "front" / "a.png", photos / "renamed.png")
    got = bring(call, own_site, coco(("renamed.png", [(9.0, 9.0, 4.0, 1)])), "--pictures", photos, name="r.json")
    assert got["recordings"] == []
    assert len(opened_labels(own_site)) == 3


def test_labels_cannot_be_changed_even_by_hand(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    by_hand = sqlite3.connect(own_site / "site.db")
    for statement in ("DELETE FROM label_versions", "UPDATE label_versions SET author = 'x'",
                      "DELETE FROM labelled_frames", "UPDATE labelled_frames SET body = ''"):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            by_hand.execute(statement)
    by_hand.close()


def test_labels_outlive_another_choice_of_frames(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    with opened(own_site, write=True) as at:
        with at.store.writer():
            at.store.add_footage(Footage("labels-front", (), None, (), 2, 0, 0.0), "recordings/labels-front")
        assert sum(len(f.labels) for f in at.store.labelled()) == 3
        assert len(site_samples(at)) == 3
    assert bring(call, own_site, coco(*FIRST), "--pictures", photos)["version"] is None


def test_labels_of_the_first_layout_become_version_one(tmp_path: Path) -> None:
    frame = Frame("a/00001", "a", 1, "x.png", (64, 48))
    label = Label(frame.id, 3.5, 4.25, 2.0, "dandelion")
    old = sqlite3.connect(tmp_path / "site.db", isolation_level=None)
    migrate(old, MIGRATIONS[:1])
    old.execute("INSERT INTO recordings VALUES ('a', 1, 'recordings/a', 0.0, NULL, '[]', 1, 0, 0.0)")
    old.execute("INSERT INTO frames VALUES (?, 'a', 1, ?)", (frame.id, to_text(frame)))
    old.execute("INSERT INTO labels VALUES (?, 0, ?)", (frame.id, to_text(label)))
    old.close()
    store = SiteStore(tmp_path, write=True)
    [version] = store.label_versions()
    [labelled] = store.labelled()
    assert version.number == 1
    assert labelled.labels == (label,)
    assert to_text(labelled.frame) == to_text(frame)
    with store.writer():
        assert store.add_labels([labelled], author="x", source="y") is None
    store.close()
    empty = tmp_path / "empty"
    empty.mkdir()
    fresh = SiteStore(empty, write=True)
    assert fresh.label_versions() == ()
    fresh.close()


def spoiled(change: Callable[[dict[str, Any]], Any]) -> dict[str, Any]:
    raw = copy.deepcopy(coco(*FIRST))
    change(raw)
    return raw


BAD = {
    "wrong picture id": (lambda r: r["annotations"][0].update(image_id=77), ("annotations[0].image_id", "77")),
    "wrong kind id": (lambda r: r["annotations"][0].update(category_id=9), ("annotations[0].category_id", "9")),
    "twice the same id": (lambda r: r["annotations"][1].update(id=1), ("annotations[1].id",)),
    "another size": (lambda r: r["images"][1].update(width=640), ("front/b.png", "640 x 48", "64 x 48")),
    "picture not there": (lambda r: r["images"][1].update(file_name="front/c.png"), ("front/c.png",)),
    "out of the folder": (lambda r: r["images"][1].update(file_name="../x.png"), ("images[1].file_name",)),
    "not a picture": (lambda r: r["images"][1].update(file_name="front/notes.txt"), ("front/notes.txt", ".txt")),
    "cut picture": (lambda r: r["images"][1].update(file_name="front/cut.png"), ("front/cut.png", "decoded")),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_labels_are_refused_and_nothing_is_stored(
    case: str, own_site: Path, photos: Path, call: Call, refused: Refused
) -> None:
    spoil, words = BAD[case]
    (photos / "front" / "notes.txt").write_text("no picture")
    (photos / "front" / "cut.png").write_bytes((photos / "front" / "a.png").read_bytes()[:60])
    bring(call, own_site, coco(("back/a.png", [])), "--pictures", photos)
    path = own_site.parent / "bad.json"
    path.write_text(json.dumps(spoiled(spoil)))
    sentence = refused(own_site, "labels", "import", own_site, path, "--pictures", photos)
    for word in words:
        assert word in sentence
    assert len(opened_labels(own_site)) == 1


def test_bad_words_on_the_command_line(own_site: Path, photos: Path, call: Call, refused: Refused) -> None:
    path = own_site.parent / "l.json"
    path.write_text(json.dumps(coco(*FIRST)))
    assert "--author" in refused(own_site, "labels", "import", own_site, path, "--author", "  ")
    assert "no frame of this site" in refused(own_site, "labels", "import", own_site, path)
    assert "--pictures" in refused(own_site, "labels", "import", own_site, path, "--pictures", path)
    assert "no labels to check" in refused(own_site, "labels", "check", own_site)
    assert "no labels to write" in refused(own_site, "labels", "export", own_site, "--out", own_site.parent / "x.json")
    assert "no frame without labels" in refused(own_site, "labels", "queue", own_site)
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    out = own_site.parent / "x.json"
    assert "--version" in refused(own_site, "labels", "export", own_site, "--out", out, "--version", 9)
    assert "there already" in refused(own_site, "labels", "export", own_site, "--out", path)
    assert ".json" in refused(own_site, "labels", "export", own_site, "--out", own_site.parent / "x.txt")
    assert "--recording" in refused(own_site, "labels", "queue", own_site, "--recording", "nowhere")
    assert call("labels", "export", own_site, "--out", out, "--at", "yesterday").exit_code == 2
    assert not out.exists()


def test_doubtful_labels_are_kept_and_doubted(own_site: Path, photos: Path, call: Call) -> None:
    raw = coco(
        ("front/a.png", [(20.0, 20.0, 8.0, 1), (21.0, 20.0, 8.0, 1), (90.0, 20.0, 3.0, 2), (40.0, 40.0, 0.0, 3)])
    )
    raw["categories"] += [{"id": 3, "name": "thistle"}, {"id": 4, "name": "nettle"}]
    got = bring(call, own_site, raw, "--pictures", photos)
    assert got["unknown_kinds"] == ["thistle"]
    assert "nettle" in got["empty_kinds"]
    done = call("labels", "check", own_site, "--json")
    assert done.exit_code == 0, done.stderr
    data = json.loads(done.stdout)
    assert data["by_sort"] | {"size": 1, "outside": 1, "duplicate": 1, "unknown kind": 1} == data["by_sort"]
    assert {d["kind"] for d in data["doubts"] if d["sort"] == "few" and not d["picture"]} >= {"nettle", "plantain"}
    assert [d["doubt"] for d in data["doubts"]] == sorted((d["doubt"] for d in data["doubts"]), reverse=True)
    told = call("labels", "check", own_site, "--no-detector", "--count", 2)
    assert told.exit_code == 0
    assert "labels/a.png at (90, 20) px" in told.stdout or "a.png at (90, 20) px" in told.stdout
    with opened(own_site) as at:
        [sample] = site_samples(at, min_radius_px=3.0)
    assert [b.kind for b in sample.labels] == ["dandelion", "dandelion"]


def test_a_picture_that_was_exchanged_is_doubted(own_site: Path, photos: Path, call: Call) -> None:
    bring(call, own_site, coco(*FIRST), "--pictures", photos)
    draw(own_site / "recordings" / "labels-front" / "a.png", 9)
    first = json.loads(call("labels", "check", own_site, "--json").stdout)["doubts"][0]
    assert (first["sort"], first["picture"]) == ("picture", "labels-front/a.png")


def test_pictures_of_other_recordings_that_share_ground_are_named(own_site: Path, call: Call) -> None:
    names = ("front/a.png", "back/a.png", "side/a.png")
    for name, seed, x in zip(names, (7, 7, 8), (0, 150, 0), strict=True):
        noise = np.random.default_rng([seed, 5]).standard_normal((300, 900, 3)).astype(np.float32)
        ground = np.clip(110 + 60 * sum(cv2.GaussianBlur(noise, (0, 0), s) * s for s in (1.5, 4, 9)), 0, 255)
        path = own_site.parent / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(path), ground[:, x : x + 400].astype(np.uint8))
    raw = coco(*((name, [(50.0, 50.0, 9.0, 1)]) for name in names), size=(400, 300))
    bring(call, own_site, raw, "--pictures", own_site.parent / "photos")
    told = call("labels", "check", own_site, "--no-detector")
    assert "1 pairs of labelled pictures from different places" in told.stdout
    assert "labels-back/a.png and labels-front/a.png (6" in told.stdout
    [pair] = json.loads(call("labels", "check", own_site, "--no-detector", "--json").stdout)["same_ground"]
    assert {pair["first"], pair["second"]} == {"labels-back/a.png", "labels-front/a.png"}
    (own_site / "recordings" / "labels-side" / "a.png").unlink()
    gone = call("labels", "check", own_site, "--no-detector")
    assert gone.exit_code == 0
    assert "was not compared" in gone.stdout


@pytest.fixture
def posed(own_site: Path, call: Call) -> Path:
    """Six pictures from above: four of one place, two of others."""
    folder = own_site.parent / "walk"
    rows = ["name,x,y,z,qw,qx,qy,qz"]
    for n, x in enumerate((1.0, 1.9, 1.0, 2.8, 3.7, 4.6)):
        draw(folder / f"{n}.png", n)
        rows.append(f"{n}.png,{x},1.0,1.0,0,1,0,0")
    (folder / "poses.csv").write_text("\n".join(rows) + "\n")
    done = call("take-in", own_site, folder, "--overlap", "0.95")
    assert done.exit_code == 0, done.stderr
    return own_site


def test_queue_gives_out_pictures_and_takes_their_labels_back(posed: Path, call: Call) -> None:
    out = posed.parent / "to-label"
    done = call("labels", "queue", posed, "--count", 3, "--out", out, "--json")
    assert done.exit_code == 0, done.stderr
    queue = json.loads(done.stdout)["queue"]
    assert len(queue) == 3
    assert all(q["why"] for q in queue)
    raw = json.loads((out / "labels.json").read_text())
    assert {i["file_name"] for i in raw["images"]} == {q["picture"] for q in queue}
    assert all((out / i["file_name"]).is_file() for i in raw["images"])
    assert {c["name"] for c in raw["categories"]} >= {"dandelion", "daisy"}
    raw["annotations"].append({"id": 1, "image_id": 1, "category_id": 1, "bbox": [10, 10, 12, 12]})
    got = bring(call, posed, raw, "--skip-empty")
    assert (got["pictures"], got["labels"], got["recordings"]) == (1, 1, [])
    again = json.loads(call("labels", "queue", posed, "--json").stdout)
    assert again["labelled"] == 1
    assert queue[0]["picture"] != raw["images"][0]["file_name"] or queue[0]["picture"] not in {
        q["picture"] for q in again["queue"]
    }
    with opened(posed) as at:
        [sample] = site_samples(at, groups={queue[0]["frame_id"]: "front lawn"})
        assert sample.metres_per_px == pytest.approx(1.0 / 50.0)  # 1 m above the ground over a focal length of 50 px
        assert sample.load().shape == (48, 64, 3)
    assert not out.joinpath("labels.json.part").exists()


def test_what_was_looked_through_is_not_again(posed: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    first = json.loads(call("labels", "queue", posed, "--json").stdout)
    from swardwright.learning.detector import Detector

    def fail(*_: Any) -> None:
        raise AssertionError("looked through again")

    monkeypatch.setattr(Detector, "find", fail)
    assert json.loads(call("labels", "queue", posed, "--json").stdout) == first


def test_teaching_pictures_do_not_stand_in_the_way_of_locating(posed: Path, photos: Path, call: Call) -> None:
    bring(call, posed, coco(*FIRST), "--pictures", photos)
    with opened(posed) as at:
        from swardwright.shell.finding import this_visit

        assert this_visit(at)[1] == ("walk",)
        assert not at.store.for_teaching("walk")


def test_frames_of_a_robot_log_go_out_as_pictures_and_are_known_again(
    own_site: Path, call: Call, logs: Any, tmp_path: Path
) -> None:
    path = logs.write_log(tmp_path / "drive", logs.Log())
    done = call("take-in", own_site, path, "--overlap", "0.95")
    assert done.exit_code == 0, done.stderr
    out = tmp_path / "to-label"
    assert call("labels", "queue", own_site, "--count", 2, "--out", out).exit_code == 0
    raw = json.loads((out / "labels.json").read_text())
    assert [i["file_name"].endswith(".png") for i in raw["images"]] == [True, True]
    raw["annotations"] = [{"id": 1, "image_id": 2, "category_id": 2, "bbox": [10, 10, 12, 12]}]
    got = bring(call, own_site, raw, "--pictures", out)
    assert (got["pictures"], got["labels"], got["bare"], got["recordings"]) == (2, 1, 1, [])
    with opened(own_site) as at:
        samples = site_samples(at)
        assert [len(s.labels) for s in samples] in ([0, 1], [1, 0])
        for sample, picture in zip(samples, at.store.labelled(), strict=True):
            written = cv2.imread(str(out / f"{picture.id}.png"))[..., ::-1]
            assert (sample.load() == written).all()
    assert json.loads(call("labels", "check", own_site, "--json").stdout)["by_sort"].get("picture") is None
