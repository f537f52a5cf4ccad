"""ONNX Runtime: what of the machine computes, and what can go wrong with it, in words.

The pictures go in as they are (8 bits per colour): the network itself makes numbers of them, so that a quarter of the
memory is moved. Nothing is ever downloaded, and no picture is sent anywhere: what ONNX Runtime would compute by asking
a service elsewhere is passed over.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError

Floats = NDArray[np.float32]
#: heat (n, 1, h, w), kind (n, k, h, w), shape (n, 3, h, w)
Outputs = tuple[Floats, Floats, Floats]

_SUFFIX = "ExecutionProvider"
CPU = "cpu"
#: taken of themselves, the first that is there and computes what the processor computes; others only when named
PREFERRED = ("cuda", "migraphx", "rocm", "dml", "coreml", "openvino", CPU)
#: these ask a service elsewhere: never
_ELSEWHERE = ("azure",)
#: full precision where a provider would round by itself
_EXACT: dict[str, dict[str, str]] = {"cuda": {"use_tf32": "0"}, "openvino": {"precision": "ACCURACY"}}
#: logits, cells and log radii may differ by so much between any two tiles, batches, thread counts and providers
TOLERANCE = 2e-3
#: windows at once on an accelerator, where nobody says otherwise; a processor gains nothing from more than one
ACCELERATOR_BATCH = 8
_NO_MEMORY = ("alloc", "out of memory", "not enough memory", "memory exhausted")


def usable_cores() -> int:
    """Return how many processor cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # pragma: no cover - not on Linux
        return os.cpu_count() or 1


def providers() -> tuple[str, ...]:
    """Return what of this machine can compute, by short name, as the installed ONNX Runtime reports it."""
    import onnxruntime

    names = [name.removesuffix(_SUFFIX).lower() for name in onnxruntime.get_available_providers()]
    return tuple(name for name in names if name not in _ELSEWHERE)


class Engine:
    """One network in ONNX Runtime, ready to be run from any thread.

    On a processor several windows run side by side, each on one core: that takes a quarter less processor time than all
    cores on one window (measured), and no core waits for another. A window that comes alone (the live robot's) gets
    all cores.

    Parameters
    ----------
    data : bytes
        The ONNX file.
    where : str
        Its name, for messages.
    kinds : int
        Number of kind maps that it must give.
    provider : str, optional
        One of :func:`providers`; by default the first of ``PREFERRED`` that works.
    threads : int, optional
        Processor cores to use, by default all that this process may use.

    Raises
    ------
    InputError
        If the file is not readable or another network's, or the named provider is not there or computes otherwise.
    """

    def __init__(
        self, data: bytes, where: str, kinds: int, *, provider: str | None = None, threads: int | None = None
    ) -> None:
        self.threads = usable_cores() if threads is None else threads
        self._data, self._where, self._kinds = data, where, kinds
        self._wide = open_session(data, where, kinds, self.threads)
        self.provider = CPU
        self._narrow: Any = None
        self._pool: ThreadPoolExecutor | None = None
        self._making, self._turn = threading.Lock(), threading.Lock()
        self._choose(provider)

    def _choose(self, named: str | None) -> None:
        """Take an accelerator, where one is there, named or preferred, and agrees with the processor."""
        there = providers()
        if named is not None:
            name = named.removesuffix(_SUFFIX).lower()
            if name not in there:
                raise InputError("this machine's ONNX Runtime cannot compute with it", field="provider", value=named,
                                 limit=", ".join(there),
                                 remedy="name one of these, or install the ONNX Runtime of your device")  # fmt: skip
            wanted: tuple[str, ...] = (name,)
        else:
            wanted = tuple(name for name in PREFERRED if name in there)
        for name in wanted:
            if name == CPU:
                return
            session, fault = self._tried(name)
            if session is not None:
                self._wide, self.provider = session, name
                return
            if named is not None:
                raise InputError(f"the detector cannot be run with it: {fault}", where=self._where, field="provider",
                                 value=named, remedy="leave the provider out, or name cpu")  # fmt: skip

    def _tried(self, name: str) -> tuple[Any, str]:
        """Return a session on an accelerator, or None and why not."""
        try:
            session = open_session(self._data, self._where, self._kinds, self.threads, provider=name)
            if name not in [p.removesuffix(_SUFFIX).lower() for p in session.get_providers()]:
                return None, "its libraries or its device are missing"
            picture = np.random.default_rng(0).integers(0, 256, (1, 128, 160, 3), dtype=np.uint8)
            pairs = zip(_run(session, picture), _run(self._wide, picture), strict=True)
            worst = max(float(np.abs(one - other).max()) for one, other in pairs)
        except InputError as error:
            return None, error.what
        except Exception as error:
            return None, str(error)[:120]
        if not worst <= TOLERANCE:
            return None, f"it differs from the processor by {worst:.2g} (at most {TOLERANCE:g})"
        return session, ""

    @property
    def lanes(self) -> int:
        """How many pictures are worth preparing side by side."""
        return self.threads if self.provider == CPU else 2

    @property
    def batch(self) -> int:
        """How many windows are worth running in one stack."""
        return 1 if self.provider == CPU else ACCELERATOR_BATCH

    def run(self, stacks: Sequence[Callable[[], NDArray[np.uint8]]], *, alone: bool = False) -> Iterator[Outputs]:
        """Yield the outputs of stacks of windows, in order.

        Parameters
        ----------
        stacks : Sequence[Callable]
            Each makes a stack (n, h, w, 3) when its turn has come, sides multiples of 32.
        alone : bool
            Nothing else is to be looked at now: all cores may go to one window.

        Raises
        ------
        InputError
            If the memory does not suffice, or the device fails.
        """
        if self.provider != CPU:
            for make in stacks:
                stack = self._made(make)
                with self._turn:  # not every accelerator can be asked twice at once
                    outputs = self._told(self._wide, stack)
                yield outputs
        elif self.threads == 1 or (alone and len(stacks) == 1):
            for make in stacks:
                yield self._told(self._wide, self._made(make))
        elif len(stacks) == 1:
            session, _ = self._side_by_side()
            yield self._told(session, self._made(stacks[0]))
        else:
            session, pool = self._side_by_side()
            yield from pool.map(lambda make: self._told(session, self._made(make)), stacks)

    def _side_by_side(self) -> tuple[Any, ThreadPoolExecutor]:
        with self._making:
            if self._narrow is None:
                self._narrow = open_session(self._data, self._where, self._kinds, 1)
            if self._pool is None:
                self._pool = ThreadPoolExecutor(self.threads, "window")
            return self._narrow, self._pool

    def _made(self, make: Callable[[], NDArray[np.uint8]]) -> NDArray[np.uint8]:
        try:
            return make()
        except MemoryError as error:
            raise no_memory(self._where, "a stack of tiles") from error

    def _told(self, session: Any, stack: NDArray[np.uint8]) -> Outputs:
        try:
            return _run(session, stack)
        except Exception as error:
            size = f"{len(stack)} of {stack.shape[2]} x {stack.shape[1]} px"
            if isinstance(error, MemoryError) or any(word in str(error).lower() for word in _NO_MEMORY):
                raise no_memory(self._where, size) from error
            raise InputError(
                f"the detector cannot be run: {str(error)[:160]}", where=self._where, field=self.provider, value=size,
                remedy="name another provider, such as cpu, or teach the detector again",
            ) from error  # fmt: skip


def no_memory(where: str, value: str) -> InputError:
    """Return the error of a picture or tile that does not fit into memory."""
    return InputError("there is not enough memory to look through a picture in tiles of this size", where=where,
                      field="tile", value=value,
                      remedy="take smaller tiles: --tile 640 --batch 1 --threads 1")  # fmt: skip


def _run(session: Any, stack: NDArray[np.uint8]) -> Outputs:
    heat, kinds, shape = session.run(["heat", "kinds", "shape"], {"pictures": np.ascontiguousarray(stack)})
    return heat, kinds, shape


def open_session(data: bytes, where: str, kinds: int, threads: int, *, provider: str = CPU) -> Any:
    """Return an ONNX Runtime session after checking that inputs and outputs are a detector's.

    Threads that wait sleep: on a busy machine, spinning ones cost a quarter more processor time (measured).
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4
    options.enable_mem_pattern = provider != "dml"
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    full = {name.removesuffix(_SUFFIX).lower(): name for name in onnxruntime.get_available_providers()}
    asked: list[Any] = [(full.get(provider, provider), _EXACT.get(provider, {}))]
    if provider != CPU:
        asked.append(full[CPU])
    try:
        session = onnxruntime.InferenceSession(data, options, providers=asked)
    except Exception as error:
        if any(word in str(error).lower() for word in _NO_MEMORY):
            raise InputError("there is not enough memory to load the detector", where=where,
                             remedy="close other programs, or name cpu as the provider") from error  # fmt: skip
        raise InputError("the detector file is not readable ONNX", where=where,
                         remedy="copy the file again, or teach the detector again") from error  # fmt: skip
    inputs = {i.name: (i.type, len(i.shape or [])) for i in session.get_inputs()}
    outputs = {o.name: o.shape for o in session.get_outputs()}
    foreign = None
    if inputs != {"pictures": ("tensor(uint8)", 4)}:
        foreign = f"inputs {sorted(inputs)}"
    elif set(outputs) != {"heat", "kinds", "shape"}:
        foreign = f"outputs {sorted(outputs)}"
    elif any(len(shape or []) != 4 for shape in outputs.values()) or outputs["kinds"][1] != kinds:
        foreign = f"{(outputs['kinds'] or [None])[1:2]} kind maps"
    if foreign is not None:
        raise InputError("this ONNX file is not a crown detector of this program", where=where, value=foreign,
                         limit=f"input 'pictures' (uint8), outputs 'heat', 'kinds' ({kinds}), 'shape'",
                         remedy="use a file written by 'swardwright teach'")  # fmt: skip
    return session
