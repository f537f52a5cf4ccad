from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from swardwright.domain.poses import BasePose
from swardwright.domain.weed import Aim, Register, Weed
from swardwright.merging import enter

BASE = BasePose(3.0, 1.0, 0.7)
COVARIANCE = np.diag([1e-4, 2e-4, 4e-4])
OLD = Weed("w0003", np.array([3.5, 1.6]), 1e-4 * np.eye(2), 0.03, 0.003, 0.9, (("clover", 1.0),), looks=2)


def aim(name: str, x: float, y: float, presence: float = 0.9, *, seen: bool = True, sd: float = 0.004) -> Aim:
    covariance = sd**2 * np.array([[1.0, 0.3], [0.3, 2.0]])
    return Aim(name, np.array([x, y]), covariance, 0.025, (("plantain", 1.0),), presence, seen)


def test_new_plants_get_ids_of_their_own_and_stand_where_they_were_seen() -> None:
    aims = (aim("w0003", 0.7, 0.1), aim("new-1", 0.8, -0.2), aim("new-2", 0.5, 0.3, 0.01), aim("new-3", 0.9, 0.2))
    register, named, changed = enter(Register(4, (OLD,)), aims, base=BASE, base_covariance=COVARIANCE)
    assert [a.weed_id for a in named] == ["w0003", "w0004", "w0005"]  # one is hardly believed
    assert [w.id for w in register.weeds] == ["w0003", "w0004", "w0005"]
    assert {w.id for w in changed} == {"w0003", "w0004", "w0005"}
    ground = BASE.ground_from_base.apply(np.array([0.8, -0.2, 0.0]))[:2]
    assert register.weed("w0004").mean_m == pytest.approx(ground)


def test_covariance_on_the_ground_against_draws() -> None:
    one = aim("new-1", 0.9, -0.3)
    register, _, _ = enter(Register(0, ()), (one,), base=BASE, base_covariance=COVARIANCE)
    rng = np.random.default_rng(2)
    n = 200_000
    errors = rng.multivariate_normal(np.zeros(3), COVARIANCE, n)
    local = rng.multivariate_normal(one.mean_m, one.covariance_m2, n)
    yaw = BASE.yaw_rad + errors[:, 2]
    x = BASE.x_m + errors[:, 0] + np.cos(yaw) * local[:, 0] - np.sin(yaw) * local[:, 1]
    y = BASE.y_m + errors[:, 1] + np.sin(yaw) * local[:, 0] + np.cos(yaw) * local[:, 1]
    drawn = np.cov(np.stack([x, y]))
    # sampling error of a variance: sqrt(2 / n) = 0.3 %; first order leaves about yaw variance / 2 = 0.02 % of it
    scale = math.sqrt(drawn[0, 0] * drawn[1, 1])
    assert np.abs(register.weeds[0].covariance_m2 - drawn).max() < 0.02 * scale


def test_what_was_heated_keeps_its_entry_and_the_surer_place_stays() -> None:
    seen_again = aim("w0003", 0.72, 0.14, 0.2)
    register, named, changed = enter(
        Register(4, (OLD,)), (seen_again,), base=BASE, base_covariance=COVARIANCE, settled={"w0003"}
    )
    assert register.weeds == (OLD,)
    assert not changed
    assert named == (seen_again,)
    vague = replace(seen_again, covariance_m2=0.02**2 * np.eye(2))
    register, _, _ = enter(Register(4, (OLD,)), (vague,), base=BASE, base_covariance=COVARIANCE)
    assert np.array_equal(register.weeds[0].mean_m, OLD.mean_m)
    assert register.weeds[0].presence == 0.2
    unseen = replace(seen_again, seen=False, presence=0.9)
    _, _, changed = enter(Register(4, (OLD,)), (unseen,), base=BASE, base_covariance=COVARIANCE)
    assert not changed  # nothing was learnt
