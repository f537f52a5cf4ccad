from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.heat import dose_kg_m2
from swardwright.domain.poses import BasePose
from swardwright.running import may_heat
from swardwright.running.interlocks import carried_over, flame_on_ground, landing_m, may_light, spared_dose_kg_m2

NAN = float("nan")


@pytest.fixture(scope="module")
def good(kit):
    """Everything as it must be for heat; each test spoils one thing."""
    state = replace(kit.machine().state, base=kit.plan.stops[0].base, joints_rad=(0.6, 0.1), flame_lit=True)
    aim = kit.make_aim("w1", 0.6, 0.1)
    return {"state": state, "aim": aim, "hold": kit.plan.stops[0].holds[0], "plan": kit.plan, "permit": kit.permit,
            "site": kit.site, "in_view": [aim]}  # fmt: skip


def ask(good, **changes):
    arguments = {**good, **changes}
    names = ("state", "aim", "hold", "plan", "permit", "site")
    return may_heat(*(arguments[n] for n in names), in_view=arguments["in_view"],
                    given_kg_m2=arguments.get("given_kg_m2"))  # fmt: skip


def test_all_well_may_heat(good):
    assert ask(good) is None


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"emergency_stop": True}, "is pressed"), ({"emergency_stop": None}, "not known"),
        ({"dead_man_held": False}, "not held"), ({"dead_man_held": None}, "not known"),
        ({"nearest_person_m": 10.69}, "person"), ({"nearest_person_m": None}, "person"),
        ({"nearest_person_m": NAN}, "person"), ({"nearest_person_m": -1.0}, "person"),
        ({"wind_m_s": 4.01}, "wind"), ({"wind_m_s": None}, "wind"), ({"wind_m_s": NAN}, "wind"),
        ({"wind_m_s": -0.1}, "wind"), ({"wind_m_s": math.inf}, "wind"),
        ({"gas_kg": 0.04}, "reserve"), ({"gas_kg": None}, "gas"), ({"gas_kg": NAN}, "gas"),
        ({"battery": 0.2}, "reserve"), ({"battery": None}, "battery"), ({"battery": NAN}, "battery"),
        ({"battery": 55.0}, "reserve"), ({"flame_lit": False}, "pilot"), ({"flame_lit": None}, "pilot"),
        ({"stamp_s": 0.0}, "old"), ({"stamp_s": NAN}, "old"), ({"stamp_s": 2e6}, "old"), ({"now_s": NAN}, "old"),
        ({"base_covariance": ()}, "base pose"), ({"base_covariance": (NAN,) * 9}, "base pose"),
        ({"base_covariance": (1.0, 5.0, 0, 5.0, 1.0, 0, 0, 0, 1.0)}, "contradicts"),
        ({"base_covariance": (1.0, 0.5, 0, 0.0, 1.0, 0, 0, 0, 1.0)}, "contradicts"),
        ({"joints_rad": (0.6,)}, "joint"), ({"joints_rad": (0.6, NAN)}, "joint"),
    ],
)  # fmt: skip
def test_a_bad_report_ends_the_round(good, changes, word):
    hindrance = ask(good, state=replace(good["state"], **changes))
    assert hindrance is not None
    assert word in str(hindrance)
    assert hindrance.ends_round


def test_a_stale_report_is_refused_at_the_limit(good):
    limit = good["site"].limits.observation_age_s
    now = good["state"].now_s
    assert ask(good, state=replace(good["state"], stamp_s=now - limit)) is None
    assert "old" in str(ask(good, state=replace(good["state"], stamp_s=now - limit - 0.01)))


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"plan_id": "plan-2"}, "plan-2"), ({"expires_at_s": 1_000_000.0}, "expired"),
        ({"expires_at_s": NAN}, "expired"), ({"granted_at_s": 2e6}, "future"), ({"granted_at_s": NAN}, "future"),
    ],
)  # fmt: skip
def test_the_permit_must_be_for_this_plan_and_in_force(good, changes, word):
    hindrance = ask(good, permit=replace(good["permit"], **changes))
    assert word in str(hindrance)
    assert hindrance.ends_round


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"seen": False}, "did not see"), ({"presence": 0.59}, "0.59"), ({"presence": NAN}, "probability"),
        ({"presence": 1.2}, "probability"), ({"kinds": (("daisy", 0.6), ("plantain", 0.4))}, "spare"),
        ({"kinds": (("plantain", 0.55), ("daisy", 0.45))}, "to treat with probability 0.53"),
        ({"kinds": (("plantain", NAN),)}, "spare"), ({"kinds": (("unheard of", 1.0),)}, "spare"),
        ({"covariance_m2": np.diag([0.021**2, 1e-6])}, "uncertain"), ({"mean_m": np.array([NAN, 0.1])}, "number"),
        ({"mean_m": np.array([0.6, 0.109])}, "beside the aim"), ({"weed_id": "w2"}, "hold"),
    ],
)  # fmt: skip
def test_a_bad_aim_costs_this_weed_only(good, changes, word):
    hindrance = ask(good, aim=replace(good["aim"], **changes))
    assert word in str(hindrance)
    assert not hindrance.ends_round


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"hold_s": 8.1}, "outside 0 to"), ({"hold_s": 0.0}, "outside 0 to"), ({"hold_s": NAN}, "outside 0 to"),
        ({"gas_kg": 0.4}, "reserve"), ({"gas_kg": NAN}, "reserve"), ({"weed_id": "w9"}, "hold for w9"),
    ],
)  # fmt: skip
def test_a_bad_hold_costs_this_weed_only(good, changes, word):
    hindrance = ask(good, hold=replace(good["hold"], **changes))
    assert word in str(hindrance)
    assert not hindrance.ends_round


def test_a_control_and_a_stranger_are_not_heated(good):
    control = replace(good["plan"], controls=("w1",))
    assert "control" in str(ask(good, plan=control))
    without = replace(good["plan"], stops=good["plan"].stops[1:])
    assert "not in the plan" in str(ask(good, plan=without))


def test_a_hold_must_end_before_the_permit_does(good):
    permit = replace(good["permit"], expires_at_s=good["state"].now_s + 1.9)
    assert "during the hold" in str(ask(good, permit=permit))


def test_the_keep_out_is_judged_by_the_flame_and_the_base_pose_with_its_error(good):
    # sprinkler box from x = 6.0, stand-off 0.3 m; the flame lands 0.6 m ahead and 0.1 m left of the base
    def at(x_m, sigma_m):
        covariance = tuple((sigma_m**2 * np.eye(3)).ravel())
        return replace(good["state"], base=BasePose(x_m, 4.1, 0.0), base_covariance=covariance)

    sure = math.hypot(0.001 * math.sqrt(1 + 0.37), 0.008)
    assert ask(good, state=at(5.7 - 0.6 - 2 * sure - 0.002, 0.001)) is None
    refused = ask(good, state=at(5.7 - 0.6 - 2 * sure + 0.002, 0.001))
    assert "sprinkler box" in str(refused)
    assert not refused.ends_round
    # the same place with a vaguer base pose is refused
    assert "sprinkler box" in str(ask(good, state=at(5.7 - 0.6 - 2 * sure - 0.002, 0.02)))
    assert "sprinkler box" in str(ask(good, state=at(5.6, 0.001)))  # inside
    assert "outside" in str(ask(good, state=at(11.5, 0.001)))


def test_the_flame_on_the_ground_agrees_with_draws(good):
    rng = np.random.default_rng(2)
    root = np.array([[0.01, 0, 0], [0.004, 0.02, 0], [0.003, 0.001, 0.03]])
    covariance = root @ root.T
    state = replace(good["state"], base=BasePose(3.0, 2.0, 0.7), base_covariance=tuple(covariance.ravel()))
    place, sigma = flame_on_ground(state, good["site"])
    draws = rng.multivariate_normal([3.0, 2.0, 0.7], covariance, size=200_000)
    c, s = np.cos(draws[:, 2]), np.sin(draws[:, 2])
    points = draws[:, :2] + np.column_stack([c * 0.6 - s * 0.1, s * 0.6 + c * 0.1]) + rng.normal(0, 0.008, (200_000, 2))
    assert place == pytest.approx(points.mean(axis=0), abs=1e-3)  # second order: 0.03 rad squared / 2 of 0.6 m
    assert sigma == pytest.approx(math.sqrt(np.linalg.eigvalsh(np.cov(points.T)).max()), rel=0.01)


def test_a_head_that_points_away_is_refused(good, kit):
    from swardwright.domain.arm import arm_from_urdf

    def with_head(rpy, height_m=0.12):
        text = f"""<robot name="g"><link name="base_link"/><link name="a"/><link name="b"/><link name="head_tip"/>
        <joint name="x" type="prismatic"><parent link="base_link"/><child link="a"/><origin xyz="0 0 {height_m}"/>
        <axis xyz="1 0 0"/><limit lower="-2" upper="2" velocity="1"/></joint>
        <joint name="y" type="prismatic"><parent link="a"/><child link="b"/><axis xyz="0 1 0"/>
        <limit lower="-2" upper="2" velocity="1"/></joint>
        <joint name="d" type="fixed"><parent link="b"/><child link="head_tip"/><origin rpy="{rpy}"/></joint></robot>"""
        return replace(kit.site, rig=replace(kit.site.rig, arm=arm_from_urdf(text)))

    assert "tilted" in str(ask(good, site=with_head("0 0 0")))  # up
    assert "tilted" in str(ask(good, site=with_head("1.5707963 0 0")))  # sideways: lands nowhere
    assert not np.isfinite(landing_m(good["state"], with_head("1.5707963 0 0"))[0]).any()
    assert "0.400 m above" in str(ask(good, site=with_head("3.14159265 0 0", 0.4)))
    # tilted by 0.3 rad about x: lands 0.12 tan(0.3) = 37 mm to one side
    landing, height, tilt = landing_m(good["state"], with_head(f"{math.pi - 0.3} 0 0"))
    assert tilt == pytest.approx(0.3, abs=1e-9)
    assert height == pytest.approx(0.12)
    assert np.linalg.norm(landing - (0.6, 0.1)) == pytest.approx(0.12 * math.tan(0.3), abs=1e-9)
    assert "37 mm beside" in str(ask(good, site=with_head(f"{math.pi - 0.3} 0 0")))


@pytest.mark.parametrize(
    ("lean_deg", "about_deg", "allowed"),
    [(0, 0, True), (24, 0, True), (3.2, 180, True), (4, 180, False), (15, 180, False), (8, 90, True), (20, 90, False)],
)  # fmt: skip
def test_a_head_that_leans_towards_the_base_is_refused(good, kit, lean_deg, about_deg, allowed):
    """All point at the aim; it lies ahead, so that leaning along x is outwards, which is allowed, and back is not."""
    from swardwright.domain.arm import arm_from_urdf

    lean, about = math.radians(lean_deg), math.radians(about_deg)
    # z of the head along (sin lean cos about, sin lean sin about, -cos lean): fixed axes, roll first, then yaw
    urdf = f"""<robot name="g"><link name="base_link"/><link name="a"/><link name="b"/><link name="head_tip"/>
    <joint name="x" type="prismatic"><parent link="base_link"/><child link="a"/><origin xyz="0 0 0.12"/>
    <axis xyz="1 0 0"/><limit lower="-2" upper="2" velocity="1"/></joint>
    <joint name="y" type="prismatic"><parent link="a"/><child link="b"/><axis xyz="0 1 0"/>
    <limit lower="-2" upper="2" velocity="1"/></joint>
    <joint name="d" type="fixed"><parent link="b"/><child link="head_tip"/>
    <origin rpy="{math.pi - lean} 0 {about + math.pi / 2}"/></joint></robot>"""
    arm = arm_from_urdf(urdf)
    axis = arm.forward(np.zeros(2), "head_tip")[:3, 2]
    wanted = (math.sin(lean) * math.cos(about), math.sin(lean) * math.sin(about), -math.cos(lean))
    assert axis == pytest.approx(wanted, abs=1e-9)
    beside = 0.12 * math.tan(lean) * np.array([math.cos(about), math.sin(about)])
    state = replace(good["state"], joints_rad=tuple(np.array([0.6, 0.1]) - beside))
    hindrance = ask(good, state=state, site=replace(kit.site, rig=replace(kit.site.rig, arm=arm)))
    assert (hindrance is None) == allowed
    assert allowed or "leans towards the base" in str(hindrance)


def test_the_heads_own_offset_moves_the_landing(good, kit):
    head = replace(kit.site.rig.head, offset_m=(0.012, 0.030))
    off = replace(kit.site, rig=replace(kit.site.rig, head=head))
    before, _, _ = landing_m(good["state"], kit.site)
    after, height, tilt = landing_m(good["state"], off)
    end = off.rig.arm.forward(np.array(good["state"].joints_rad), head.link)
    assert after - before == pytest.approx(0.012 * end[:2, 0] + 0.030 * end[:2, 1], abs=1e-12)
    assert np.linalg.norm(after - before) == pytest.approx(math.hypot(0.012, 0.030))
    assert height == pytest.approx(0.12)
    assert tilt == pytest.approx(0.0, abs=1e-6)
    assert "32 mm beside the aim" in str(ask(good, site=off))


def test_a_spared_plant_near_the_flame_is_protected(good, kit):
    head, limit, hold = kit.site.rig.head, kit.site.limits.spare_dose_kg_m2, good["hold"]
    # by hand: the distance at which the dose equals the limit, and 1.645 standard deviations more
    peak = float(dose_kg_m2(head, hold.hold_s, 0.0))
    distance = head.footprint_sigma_m * math.sqrt(2 * math.log(peak / limit))
    margin = 1.645 * math.hypot(0.005, head.landing_sigma_m)
    for extra, refused in ((-0.001, True), (0.001, False)):
        daisy = kit.make_aim("d1", 0.6, 0.1 + distance + margin + extra, kind="daisy")
        answer = ask(good, in_view=[good["aim"], daisy])
        assert (answer is not None) == refused
    # what it got before counts
    assert "d1" in str(ask(good, in_view=[daisy], given_kg_m2={"d1": 0.5 * limit}))
    # not a plant at all, or one to treat: no matter
    absent = replace(daisy, mean_m=good["aim"].mean_m, presence=0.1)
    assert ask(good, in_view=[absent]) is None
    assert ask(good, in_view=[kit.make_aim("w2", 0.6, 0.11)]) is None
    # a place that is not a number refuses
    assert "d1" in str(ask(good, in_view=[replace(daisy, mean_m=np.array([NAN, 0.0]))]))


def test_an_unknown_kind_is_spared(good, kit):
    assert "x1" in str(ask(good, in_view=[kit.make_aim("x1", 0.6, 0.12, kind="orchid")]))


def test_carried_over_places_agree_with_the_pose(kit, good):
    base = BasePose(2.0, 2.0, 0.8)
    state = replace(good["state"], base=base, base_covariance=tuple(np.diag([1e-4, 4e-4, 1e-4]).ravel()))
    (daisy,) = carried_over(kit.register, [], state, kit.site)
    weed = kit.register.weed("d1")
    back = base.ground_from_base.apply(np.array([*daisy.mean_m, 0.0]))[:2]
    assert back == pytest.approx(weed.mean_m, abs=1e-12)
    assert not daisy.seen

    # covariance against central differences of ground -> base
    def place(x, y, yaw, gx, gy):
        return BasePose(x, y, yaw).ground_from_base.inverse.apply(np.array([gx, gy, 0.0]))[:2]

    at = np.array([2.0, 2.0, 0.8, *weed.mean_m])
    jacobian = np.column_stack([(place(*(at + e)) - place(*(at - e))) / 2e-6 for e in 1e-6 * np.eye(5)])
    total = np.zeros((5, 5))
    total[:3, :3], total[3:, 3:] = np.diag([1e-4, 4e-4, 1e-4]), weed.covariance_m2
    assert daisy.covariance_m2 == pytest.approx(jacobian @ total @ jacobian.T, abs=1e-10)
    assert carried_over(kit.register, [kit.make_aim("d1", 0, 0)], state, kit.site) == ()


def test_the_dose_on_a_spared_plant_is_on_the_cautious_side(kit):
    # of many draws of plant and landing, at least 95 % give less than what is said
    rng = np.random.default_rng(8)
    head = kit.site.rig.head
    daisy = kit.make_aim("d1", 0.07, 0.0, kind="daisy", sigma_m=0.006)
    said = spared_dose_kg_m2(head, 2.0, np.zeros(2), daisy)
    plants = daisy.mean_m + rng.normal(0, 0.006, (100_000, 2))
    landings = rng.normal(0, head.landing_sigma_m, (100_000, 2))
    got = dose_kg_m2(head, 2.0, np.sum((plants - landings) ** 2, axis=1))
    assert np.mean(got <= said) >= 0.945


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_nothing_unknown_is_ever_allowed(kit, good, data):
    """Whatever field of the report is missing or not a number, no flame."""
    names = [f.name for f in fields(good["state"])]
    spoiled = data.draw(st.sets(st.sampled_from([n for n in names if n != "base"]), min_size=1))
    bad = {"base_covariance": (NAN,) * 9, "joints_rad": (NAN, NAN), "stamp_s": NAN, "now_s": NAN}
    changes = {name: bad.get(name) for name in spoiled}
    assert ask(good, state=replace(good["state"], **changes)) is not None
    assert may_light(replace(good["state"], **changes), kit.plan, kit.permit, kit.site) is not None or spoiled == {
        "flame_lit"
    }
