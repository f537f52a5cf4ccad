"""A survey that this project did not write: its own odometry, URDF, camera and mount error; detections from its truth.

The recording lies outside the project (shared/recordings/soil-lane); the test is skipped where it is absent. Its truth
is used twice, to make detections (plants projected through the true chain, with noise) and to judge.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks._outside import ERRORS, LANE, lane, register_of
from scipy.stats import chi2

from swardwright.domain.uncertainty import CHI2_2_95, mahalanobis2

pytestmark = pytest.mark.skipif(not LANE.exists(), reason="the outside recording is not here")


def test_places_are_right_no_plant_twice_and_the_mount_is_found() -> None:
    it = lane()
    register = register_of(it)
    found: set[int] = set()
    errors, inside, mixed = [], 0, 0
    for weed in register.weeds:
        who = [it.owner[s] for s in weed.sightings]
        j = max(sorted(set(who)), key=who.count)
        mixed += len(set(who)) > 1
        found.add(j)
        errors.append(weed.mean_m - it.plants_m[j])
        inside += mahalanobis2(errors[-1], weed.covariance_m2) < CHI2_2_95
    duplicates = len(register.weeds) - len(found)
    assert len(found) > 0.97 * len(set(it.owner.values()))
    assert duplicates + mixed <= 0.01 * len(found)
    assert np.sqrt(np.mean(np.sum(np.square(errors), axis=1))) < 0.025
    assert inside > 0.85 * len(errors)
    mount = next(e for e in register.site_errors if e.source == "mount")
    assert mahalanobis2(mount.mean - it.mount_error, mount.covariance) < chi2.ppf(0.99, 6)
    assert min(e.probability for e in register.site_errors) > 1e-3


def test_a_mount_that_is_stated_as_exact_is_contradicted() -> None:
    it = lane()
    blind = register_of(it, replace(ERRORS, mount_rad=0.0, mount_m=0.0))
    assert min(e.probability for e in blind.site_errors) < 1e-9
