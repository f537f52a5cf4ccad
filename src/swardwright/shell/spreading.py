"""Looking through pictures here, in several processes of this machine, or on a cluster: the same findings in order.

A cluster is one of Dask ``distributed`` (the extra ``[cluster]``). Its parts talk to each other in pickle, which runs
what it is told to: whoever reaches its scheduler or a worker can run anything there, and a false scheduler anything
here. So an address on the loopback interface is used as it is, one elsewhere only over TLS with certificates of both
sides (``tls://``, Dask's own settings), or where the person says that the network is their own.
"""

from __future__ import annotations

import hashlib
import ipaddress
import threading
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from swardwright.domain.errors import InputError, SwardwrightError
from swardwright.domain.frame import Detection, Frame
from swardwright.learning.detector import (
    TILE_PX,
    Detector,
    Given,
    detect,
    detector_from,
    in_order,
    in_stacks,
    read_detector,
)
from swardwright.learning.runtime import usable_cores

LOCAL = "local"
#: pictures handed to a process at a time, at least; few, so that no worker is idle for long at the end
PART = 2
#: parts that a process has waiting beside the one it works at
AHEAD = 2
ANSWER_S = 15

Found = list[list[Detection]]


class ClusterError(SwardwrightError):
    """The cluster that shared the work is gone."""

    exit_status = 1


@dataclass(frozen=True)
class How:
    """How pictures are looked through; nothing of it changes what is found beyond the stated tolerance.

    Attributes
    ----------
    tile_px, batch, provider, threads
        See :func:`swardwright.learning.detector.load_detector`.
    cluster : str | None
        None: in this process; ``local``: in processes of this machine; otherwise the address of a scheduler.
    workers : int | None
        Processes of this machine, by default one a core.
    own_network : bool
        The person says that everything on the network of the cluster is theirs.
    metres_per_px : float | None
        Ground that one pixel of these pictures covers, where it is known (``Detector.at_sampling``).
    """

    tile_px: int = TILE_PX
    batch: int | None = None
    provider: str | None = None
    threads: int | None = None
    cluster: str | None = None
    workers: int | None = None
    own_network: bool = False
    metres_per_px: float | None = None


def how_from(**options: Any) -> How:
    """Return the settings of a command's options, checked against each other.

    Raises
    ------
    InputError
        If one is given that has no meaning beside the others.
    """
    how = How(**options)
    if how.workers is not None and how.cluster != LOCAL:
        raise InputError("--workers counts the processes of this machine", where="detect", field="--workers",
                         value=how.workers, remedy="add --cluster local, or leave it out")  # fmt: skip
    if how.threads is not None and how.cluster is not None:
        raise InputError("shared pictures take one core a process", where="detect", field="--threads",
                         value=how.threads, remedy="leave it out, or name --workers")  # fmt: skip
    if how.own_network and how.cluster in (None, LOCAL):
        raise InputError("there is no network in use", where="detect", field="--own-network",
                         remedy="leave it out, or name the cluster's address")  # fmt: skip
    if how.cluster not in (None, LOCAL):
        check_address(str(how.cluster), own_network=how.own_network)
    return how


@dataclass(frozen=True)
class Carried:
    """A detector on its way to another process: its files, and how it is to run there."""

    name: str
    data: bytes
    card: bytes
    how: How

    @property
    def key(self) -> str:
        """What tells this detector from others."""
        return hashlib.sha256(self.data + self.card + repr(self.how).encode()).hexdigest()


def look_through(
    pairs: Iterable[tuple[Frame, Given]], model: Path, how: How
) -> Generator[tuple[Frame, list[Detection]], None, None]:
    """Yield what is found on every picture, in order, each as soon as it and all before it are done.

    Raises
    ------
    InputError
        If the detector or a picture cannot be used, or the cluster cannot be reached or must not be.
    ClusterError, SharedWorkError
        If the cluster fails, or a process dies. What came before was given out.
    """
    carried = Carried(*read_detector(model), how)
    if how.cluster is None:
        yield from detect(pairs, _built(carried, how.threads))
        return
    _built(carried, 1)  # what is wrong with the detector is told here, not by another machine
    parts = in_stacks(pairs, max(PART, how.batch or 1))
    spread = _local if how.cluster == LOCAL else _on_cluster
    for part, found in spread(carried, parts):
        yield from ((frame, of) for (frame, _), of in zip(part, found, strict=True))


def _built(carried: Carried, threads: int | None) -> Detector:
    how = carried.how
    detector = detector_from(carried.name, carried.data, carried.card, threads=threads, tile_px=how.tile_px,
                             batch=how.batch, provider=how.provider)  # fmt: skip
    return detector.at_sampling(how.metres_per_px)


Part = Sequence[tuple[Frame, Given]]
_kept: dict[str, Detector] = {}
_making = threading.Lock()


def look_at_part(carried: Carried, part: list[tuple[str, Given]]) -> Found:
    """Return what is found on some pictures: what a worker does, on one core. Its detector is kept for the next."""
    key = carried.key
    with _making:
        if key not in _kept:
            _kept.clear()
            _kept[key] = _built(carried, 1)
        detector = _kept[key]
    return detector.look(part)


def _named(part: Part) -> list[tuple[str, Given]]:
    return [(frame.id, picture) for frame, picture in part]


# -- processes of this machine ------------------------------------------------------------------------------------

_here: list[Carried] = []


def _local(carried: Carried, parts: Iterator[Part]) -> Iterator[tuple[Part, Found]]:
    from swardwright.planning.share import processes

    workers = carried.how.workers or usable_cores()
    remedy = "free memory, or take fewer --workers; what was done is kept"
    with processes(workers, _take, carried, where="detect", remedy=remedy) as pool:
        yield from in_order(parts, lambda part: pool.submit(_look_here, _named(part)), workers * (1 + AHEAD))


def _take(carried: Carried) -> None:
    _here[:] = [carried]


def _look_here(part: list[tuple[str, Given]]) -> Found:
    return look_at_part(_here[0], part)


# -- a cluster ----------------------------------------------------------------------------------------------------


def check_address(address: str, *, own_network: bool) -> str:
    """Return the address of a scheduler if pictures may be sent there.

    Raises
    ------
    InputError
        If it is none, or lies on a network that others may be on, without TLS.
    """
    try:
        parts = urlsplit(address if "://" in address else f"tcp://{address}")
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port, parts = "", None, urlsplit("")
    if parts.scheme not in ("tcp", "tls") or not host or port is None:
        raise InputError("this is no address of a cluster", field="--cluster", value=address,
                         limit="local, or tcp://HOST:PORT or tls://HOST:PORT of a Dask scheduler",
                         remedy="write local for processes of this machine")  # fmt: skip
    try:
        loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not (loopback or parts.scheme == "tls" or own_network):
        raise InputError(
            "the cluster is on a network, without TLS: whoever is on it could run programs on these machines",
            field="--cluster", value=address, limit="a loopback address, or tls://",
            remedy="give scheduler, workers and this machine certificates (Dask's distributed.comm.tls) and write "
            "tls://, or say --own-network if every machine on that network is yours",
        )  # fmt: skip
    return parts.geturl()


def _on_cluster(carried: Carried, parts: Iterator[Part]) -> Iterator[tuple[Part, Found]]:
    address = check_address(str(carried.how.cluster), own_network=carried.how.own_network)
    client = _client(address)
    try:
        threads = client.nthreads()
        if not threads:
            raise InputError("the cluster has no workers", field="--cluster", value=address,
                             remedy=f"start one: dask worker {address} --nthreads 1")  # fmt: skip
        _check_versions(client, address)
        held = client.scatter(carried, broadcast=True, hash=False)
        executor = client.get_executor(pure=False)

        def submit(part: Part) -> Future[Found]:
            future: Future[Found] = executor.submit(look_at_part, held, _named(part))
            return future

        yield from in_order(parts, submit, sum(threads.values()) + AHEAD * len(threads))
    except (SwardwrightError, GeneratorExit, KeyboardInterrupt):
        raise
    except (CancelledError, Exception) as error:
        raise ClusterError(f"the cluster has failed ({type(error).__name__})", where=address, value=str(error)[:120],
                           remedy="see that its workers run and have memory, then run this again: what was done is "
                           "kept") from error  # fmt: skip
    finally:
        client.close(timeout=ANSWER_S)


def _client(address: str) -> Any:
    try:
        import distributed
    except ImportError as error:
        raise InputError("a cluster needs Dask distributed, which is not installed", value=error.name,
                         remedy="install the extra: pip install 'swardwright[cluster]', "
                         "or write --cluster local") from error  # fmt: skip
    try:
        make: Any = distributed.Client
        return make(address, timeout=ANSWER_S, set_as_default=False)
    except Exception as error:
        raise InputError(
            "no cluster answers at this address", field="--cluster", value=address,
            remedy="start one: dask scheduler --host 127.0.0.1, or write --cluster local",
        ) from error  # fmt: skip


def versions() -> tuple[str, str]:
    """Return the versions that must be the same on every machine: of this program and of ONNX Runtime."""
    from importlib.metadata import version

    import onnxruntime

    return version("swardwright"), str(onnxruntime.__version__)


def _check_versions(client: Any, address: str) -> None:
    here = versions()
    try:
        there = client.run(versions)
    except Exception as error:
        raise InputError(
            f"a worker of the cluster cannot run this program ({str(error)[:120]})", field="--cluster", value=address,
            remedy="install the same swardwright on every worker",
        ) from error  # fmt: skip
    other = {str(found) for found in there.values() if tuple(found) != here}
    if other:
        raise InputError("a worker of the cluster has another version of swardwright or ONNX Runtime",
                         field="--cluster", value=", ".join(sorted(other)), limit=str(here),
                         remedy="install the same versions on every worker")  # fmt: skip


__all__ = ["LOCAL", "ClusterError", "How", "check_address", "look_at_part", "look_through"]
