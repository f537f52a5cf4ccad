"""Laws that hold whatever the numbers: warmer or fuller never gives less; more weeds never need less gas."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.plan import Load
from swardwright.planning.propane import coldest_k, draw_off_kg_s, starves_after_s, vapour_pressure_pa
from swardwright.planning.supplies import changes

KELVIN = st.floats(200.0, 340.0)
SHARE = st.floats(0.0, 1.2)
SIZE = st.floats(0.1, 60.0)
NEED = st.floats(0.0, 5e5)
SLACK = 1.0 + 1e-9


@given(KELVIN, KELVIN)
def test_warmer_propane_has_more_pressure(one: float, other: float) -> None:
    cold, warm = sorted((one, other))
    assert vapour_pressure_pa(cold) <= vapour_pressure_pa(warm)


@settings(max_examples=200)
@given(KELVIN, KELVIN, SHARE, SHARE, SIZE, SIZE, NEED, NEED)
def test_warmer_fuller_larger_or_less_wanted_never_gives_less(
    t1: float, t2: float, f1: float, f2: float, s1: float, s2: float, n1: float, n2: float
) -> None:
    (cold, warm), (less, more), (small, large), (low, high) = (
        sorted(pair) for pair in ((t1, t2), (f1, f2), (s1, s2), (n1, n2))
    )
    poor = draw_off_kg_s(cold, less * small, small, high)
    assert poor <= draw_off_kg_s(warm, less * small, small, high) * SLACK
    assert poor <= draw_off_kg_s(cold, more * small, small, high) * SLACK
    assert poor <= draw_off_kg_s(cold, less * small, small, low) * SLACK
    assert poor <= draw_off_kg_s(cold, less * large, large, high) * SLACK
    assert poor >= 0.0


@given(st.floats(240.0, 310.0), st.floats(0.05, 1.0), SIZE, st.floats(1e-5, 1e-2), st.floats(1.0, 3.0))
def test_a_larger_flow_never_lasts_longer(air: float, fill: float, size: float, flow: float, more: float) -> None:
    lasts = [starves_after_s(f, air, fill * size, size, 2e4) for f in (flow, flow * more)]
    assert lasts[1] <= lasts[0] * SLACK or lasts[0] == math.inf
    assert (lasts[0] == math.inf) == (flow <= draw_off_kg_s(air, fill * size, size, 2e4))
    assert coldest_k(2e4) <= air


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.floats(0.0, 3.0), st.floats(0.0, 2.0)), max_size=12),
    st.floats(0.2, 1.0), st.integers(0, 12), st.floats(0.0, 3.0),
)  # fmt: skip
def test_more_to_treat_never_needs_fewer_cylinders(
    stops: list[tuple[float, float]], first: float, at: int, one_more: float
) -> None:
    """Every stop takes what it took or more, and one stop more is visited."""

    def count(takes: list[float]) -> int:
        loads = [Load(f"s{n}", t, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0) for n, t in enumerate(takes)]
        return len(changes("gas", loads, takes, 1.0, first))

    fewer = [take for take, _ in stops]
    more = [take + extra for take, extra in stops]
    assert count(fewer) <= count(more) <= count([*more[:at], one_more, *more[at:]])
    assert count(fewer) >= math.ceil(sum(fewer) - first - 1e-9)
