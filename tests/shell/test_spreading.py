"""Pictures shared over processes and a cluster: the same findings in order, and what goes wrong in one sentence."""

import contextlib
import os
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.footage.picture import decode_or_tell
from swardwright.learning import shipped_detector
from swardwright.planning.share import SharedWorkError
from swardwright.shell import spreading
from swardwright.shell.spreading import ClusterError, How, check_address, how_from, look_through

Pairs = list[tuple[Frame, Any]]


@pytest.fixture(scope="module")
def pairs() -> Pairs:
    """Eleven pieces of a rendered picture, as a recording holds them."""
    from swardwright.shell.teaching import decoded, render_scene

    picture = max(render_scene(1_950_002, 3), key=lambda p: len(p.labels))
    image = decoded(picture.jpeg, picture.name)
    made = []
    for number in range(11):
        part = image[20 * number :][:400, 30 * number :][:, :500]
        data = cv2.imencode(".png", part[..., ::-1])[1].tobytes()
        load = partial(decode_or_tell, data, False, "r", str(number), "take it in again")
        made.append((Frame(f"r/{number}", "r", number, "t", (500, 400)), load))
    return made


@pytest.fixture(scope="module")
def alone(pairs: Pairs) -> list[tuple[str, list[Detection]]]:
    found = [(frame.id, d) for frame, d in look_through(pairs, shipped_detector(), How(threads=1))]
    assert sum(len(d) for _, d in found) > 10
    return found


def seen(pairs: Pairs, how: How) -> list[tuple[str, list[Detection]]]:
    return [(frame.id, d) for frame, d in look_through(iter(pairs), shipped_detector(), how)]


def same(found: list[tuple[str, list[Detection]]], wanted: list[tuple[str, list[Detection]]]) -> None:
    assert [name for name, _ in found] == [name for name, _ in wanted]
    for (_, here), (_, there) in zip(found, wanted, strict=True):
        assert [d.id for d in here] == [d.id for d in there]
        for a, b in zip(here, there, strict=True):
            assert (a.u_px, a.v_px, a.probability) == pytest.approx((b.u_px, b.v_px, b.probability), abs=0.02)


@pytest.mark.parametrize("how", [How(), How(threads=2, batch=3), How(cluster="local", workers=2)])
def test_threads_and_processes_find_the_same_in_order(pairs: Pairs, alone: Any, how: How) -> None:
    same(seen(pairs, how), alone)


@pytest.mark.parametrize("cluster", [None, "local"])
def test_a_picture_that_cannot_be_read_is_named_and_what_came_before_is_given_out(
    pairs: Pairs, alone: Any, cluster: str | None
) -> None:
    broken = (Frame("r/x", "r", 99, "t", (9, 9)), partial(decode_or_tell, b"?", False, "r", "r/x", "take it in again"))
    found: list[Any] = []
    how = How(cluster=cluster, workers=1 if cluster else None, threads=None if cluster else 2)
    with pytest.raises(InputError, match="cannot be decoded") as caught:
        found.extend((f.id, d) for f, d in look_through([*pairs[:8], broken, *pairs[8:]], shipped_detector(), how))
    assert caught.value.remedy
    same(found, alone[:8])


def test_a_process_that_dies_is_told_in_one_sentence(pairs: Pairs) -> None:
    deadly = (Frame("r/x", "r", 99, "t", (9, 9)), partial(os._exit, 3))
    with pytest.raises(SharedWorkError, match="has died") as caught:
        seen([deadly, *pairs[:1]], How(cluster="local", workers=1))
    assert caught.value.exit_status == 1
    assert "--workers" in str(caught.value.remedy)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with contextlib.ExitStack() as held:
        yield held.enter_context(
            distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=False, host="127.0.0.1",
                                     protocol="tcp", dashboard_address=None, worker_dashboard_address=None)
        )  # fmt: skip


def test_a_cluster_finds_the_same_in_order(pairs: Pairs, alone: Any, cluster: Any) -> None:
    same(seen(pairs, How(cluster=cluster.scheduler_address)), alone)


def test_a_fault_on_the_cluster_is_the_same_sentence(pairs: Pairs, cluster: Any) -> None:
    broken = (Frame("r/x", "r", 99, "t", (9, 9)), partial(decode_or_tell, b"?", False, "r", "r/x", "take it in again"))
    with pytest.raises(InputError, match="cannot be decoded"):
        seen([broken], How(cluster=cluster.scheduler_address))
    with pytest.raises(ClusterError) as caught:
        seen([(broken[0], partial(int, "x"))], How(cluster=cluster.scheduler_address))
    assert caught.value.remedy


def test_a_worker_of_another_version_is_refused() -> None:
    client = SimpleNamespace(run=lambda ask: {"tcp://a": ask(), "tcp://b": ("0.0.1", "1.0")})
    with pytest.raises(InputError, match="another version") as caught:
        spreading._check_versions(client, "tcp://a")
    assert "0.0.1" in str(caught.value.value)

    def lacks(_: Any) -> None:
        raise ModuleNotFoundError("No module named 'swardwright'")

    with pytest.raises(InputError, match="cannot run"):
        spreading._check_versions(SimpleNamespace(run=lacks), "tcp://a")


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:8786", "127.0.0.1:8786", "localhost:1", "tcp://[::1]:8786",
                                     "tls://farm.example:8786"])  # fmt: skip
def test_addresses_that_may_be_used(address: str) -> None:
    assert check_address(address, own_network=False).split("://")[0] in ("tcp", "tls")


@pytest.mark.parametrize(
    "address", ["farm:8786", "tcp://192.168.1.4:8786", "tcp://0.0.0.0:8786", "tcp://127.0.0.1.evil:1"]
)
def test_a_network_needs_tls_or_a_persons_word(address: str) -> None:
    with pytest.raises(InputError, match="without TLS") as caught:
        check_address(address, own_network=False)
    assert "--own-network" in str(caught.value.remedy)
    assert check_address(address, own_network=True)


@pytest.mark.parametrize("address", ["", "farm", "tcp://:8786", "http://127.0.0.1:8786", "tcp://127.0.0.1:x",
                                     "tcp://127.0.0.1:99999", "inproc://1", "tcp://["])  # fmt: skip
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(InputError, match="no address"):
        check_address(address, own_network=True)


@pytest.mark.parametrize(
    ("given", "field"),
    [({"workers": 2}, "--workers"), ({"threads": 2, "cluster": "local"}, "--threads"),
     ({"own_network": True}, "--own-network"), ({"cluster": "farm:1"}, "--cluster")],
)  # fmt: skip
def test_options_that_mean_nothing_together_are_refused(given: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as caught:
        how_from(**given)
    assert caught.value.field == field
    assert caught.value.remedy


def test_nobody_home_is_one_sentence(pairs: Pairs, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(spreading, "ANSWER_S", 1)
    with pytest.raises(InputError, match="no cluster answers"):
        seen(pairs[:1], How(cluster="tcp://127.0.0.1:9"))
