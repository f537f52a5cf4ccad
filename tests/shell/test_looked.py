"""Findings kept picture by picture: whatever was cut off or put in its place, nothing wrong is taken over."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection
from swardwright.shell.looked import Looked, looked, write_whole

FOUND = {
    f"r/{n}": [Detection(f"r/{n}#{k}", f"r/{n}", 1 / 3 + k, 2.0, 3.0, 0.9, (("clover", 0.75), ("daisy", 0.25)))
               for k in range(n % 3)]
    for n in range(5)
}  # fmt: skip


def written(path: Path) -> bytes:
    with looked(path, "a") as notes:
        for key, found in FOUND.items():
            notes.keep(key, found)
    return path.read_bytes()


@settings(max_examples=60, deadline=None)
@given(cut=st.floats(0.0, 1.0))
def test_a_file_cut_anywhere_keeps_its_whole_lines_and_goes_on(
    tmp_path_factory: pytest.TempPathFactory, cut: float
) -> None:
    path = tmp_path_factory.mktemp("cut") / "x.jsonl"
    whole = written(path)
    path.write_bytes(whole[: round(cut * len(whole))])
    lines = whole[: round(cut * len(whole))].count(b"\n")
    notes = Looked(path, "a")
    keys = list(FOUND)[: max(lines - 1, 0)]
    assert notes.found == {key: tuple(FOUND[key]) for key in keys}
    for key in list(FOUND)[len(keys) :]:
        notes.keep(key, FOUND[key])
    notes.close()
    assert path.read_bytes() == whole


def test_what_was_made_from_something_else_is_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "cache" / "x.jsonl"
    written(path)
    with looked(path, "b") as notes:
        assert notes.found == {}
    for foreign in (b"", b"hello", b"\xff\xfe\n" * 9, path.read_bytes() + b'["r/9",[{"id":3}]]\n'):
        path.write_bytes(foreign)
        with looked(path, "b") as notes:
            assert notes.found == {}
    notes = Looked(path, "b")
    notes.done()
    assert not path.exists()


def test_a_place_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for act in (lambda at: Looked(at, "a").keep("r/0", []), lambda at: write_whole(at, b"x")):
        with pytest.raises(InputError, match="cannot be written") as caught:
            act(tmp_path / "file" / "x.json")
        assert caught.value.remedy
