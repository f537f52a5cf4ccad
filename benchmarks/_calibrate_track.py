"""The base's track: honest errors over drawn drives, the end of a bag of standard messages, agreement with ``evo``."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import chi2

from benchmarks._track_cases import BAG_ERRORS, ORIGIN, SCENARIOS, analytic_way, draw, joint_nees, smoothed, write_bag
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Topics
from swardwright.footage import follow
from swardwright.footage.following import Followed
from swardwright.shell.tracking import tum_text

#: of the open robot_localization test bag whose place the built bag takes
END_TOLERANCE_M = 0.1383
AGREEMENT_M = 1e-9


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    runs = 200 if full else 60
    for name, what in SCENARIOS.items():
        total, dof = 0.0, 0
        for seed in range(runs):
            result, off = smoothed(draw(np.random.default_rng([1300, seed]), what), what.errors)
            total += joint_nees(result, off)
            dof += off.size
        low, high = (float(chi2.ppf(p, dof)) / dof for p in (0.025, 0.975))
        value = total / dof
        yield {"figure": f"track: normalised error squared per degree of freedom, {name}, {runs} drives",
               "value": round(value, 4), "unit": "", "bound": [round(low, 4), round(high, 4)],
               "holds": low < value < high}  # fmt: skip
    ends: list[float] = []
    agreement = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(10 if full else 3):
            path = Path(folder) / f"drive-{seed}"
            end = write_bag(path, np.random.default_rng([1301, seed]))
            start = BasePose(*(float(v) for v in analytic_way(np.zeros(1))[0]))
            followed = follow(path, topics=Topics(), start=start, origin=ORIGIN, errors=BAG_ERRORS)
            ends.append(float(np.hypot(*(followed.smoothed.track.poses[-1].as_array() - end)[:2])))
            agreement = max(agreement, _apart_from_evo(followed, Path(folder)))
    yield {"figure": f"track: end of a bag of standard messages, worst of {len(ends)}", "value": round(max(ends), 4),
           "unit": "m", "bound": f"<= {END_TOLERANCE_M}", "holds": max(ends) <= END_TOLERANCE_M}  # fmt: skip
    yield {"figure": "track: absolute pose error against evo's", "value": agreement, "unit": "m",
           "bound": f"<= {AGREEMENT_M:g}", "holds": agreement <= AGREEMENT_M}  # fmt: skip


def _apart_from_evo(followed: Followed, folder: Path) -> float:
    from evo.core import metrics, trajectory  # type: ignore[import-untyped,unused-ignore]
    from evo.tools import file_interface  # type: ignore[import-untyped,unused-ignore]

    file = folder / "track.tum"
    file.write_text(tum_text(followed))
    ours = file_interface.read_tum_trajectory_file(str(file))
    truth = analytic_way((followed.stamps_ns - followed.stamps_ns[0]) / 1e9)
    half = 0.5 * truth[:, 2]
    true = trajectory.PoseTrajectory3D(
        np.column_stack([truth[:, :2], 0 * half]), np.column_stack([np.cos(half), 0 * half, 0 * half, np.sin(half)]),
        ours.timestamps,
    )  # fmt: skip
    ape = metrics.APE(metrics.PoseRelation.translation_part)
    ape.process_data((true, ours))
    poses = np.array([p.as_array() for p in followed.smoothed.track.poses])
    own = float(np.sqrt(np.mean(np.sum((poses - truth)[:, :2] ** 2, axis=1))))
    return abs(own - float(ape.get_statistic(metrics.StatisticsType.rmse)))
