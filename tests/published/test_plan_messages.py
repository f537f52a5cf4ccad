"""A plan's files against things that this project did not make.

* ``plan.mcap`` read by ``mcap`` with ``mcap_ros2`` (the messages' text goes with the file) and by ``rosbags`` with its
  own definitions of ROS 2 Humble: the very types asked for, and nothing else;
* the arm's postures by Pinocchio's kinematics from the URDF itself, joints taken by name: over each aim while it is
  heated;
* ``plan.geojson`` by a validator of RFC 7946 and by PROJ's topocentric conversion (EPSG method 9836/9837).
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from geojson_pydantic import FeatureCollection
from pyproj import Transformer

from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell.open_site import opened

#: stamps are whole nanoseconds
NS = 2e-9


@pytest.fixture(scope="module")
def files(planned_site: Path) -> Path:
    return planned_site / "reports" / "round-1"


@pytest.fixture(scope="module")
def planned(planned_site: Path) -> tuple[Site, Register, Plan]:
    with opened(planned_site) as at:
        plan, register = at.plan(), at.register()
        assert plan is not None
        assert register is not None
        return at.site, register, plan


@pytest.fixture(scope="module")
def messages(files: Path) -> dict[str, list[tuple[str, int, Any]]]:
    """By topic: schema name, log time and decoded message, by the independent reader."""
    from mcap.reader import make_reader
    from mcap_ros2.decoder import DecoderFactory

    found: dict[str, list[tuple[str, int, Any]]] = {}
    with (files / "plan.mcap").open("rb") as stream:
        reader = make_reader(stream, decoder_factories=[DecoderFactory()])
        assert reader.get_header().profile == "ros2"
        for schema, channel, message, decoded in reader.iter_decoded_messages():
            assert channel.message_encoding == "cdr"
            found.setdefault(channel.topic, []).append((schema.name, message.log_time, decoded))
    return found


def seconds(time: Any) -> float:
    return float(time.sec) + 1e-9 * float(time.nanosec)


def arms(messages: Any) -> list[tuple[float, list[str], np.ndarray, np.ndarray, np.ndarray]]:
    """Stamp, joint names, times (n,), positions (n, dof), velocities (n, dof) of each trajectory."""
    out = []
    for _, _, m in messages["/plan/arm"]:
        times = np.array([seconds(p.time_from_start) for p in m.points])
        places, speeds = (np.array([list(getattr(p, key)) for p in m.points]) for key in ("positions", "velocities"))
        out.append((seconds(m.header.stamp), list(m.joint_names), times, places, speeds))
    return out


def test_types_counts_and_log_times(messages: Any, planned: Any) -> None:
    _, _, plan = planned
    assert {topic: {name for name, _, _ in rows} for topic, rows in messages.items()} == {
        "/plan/drive": {"nav_msgs/msg/Path"},
        "/plan/stops": {"geometry_msgs/msg/PoseArray"},
        "/plan/arm": {"trajectory_msgs/msg/JointTrajectory"},
    }
    assert [len(messages[t]) for t in ("/plan/drive", "/plan/stops", "/plan/arm")] == [1, 1, len(plan.stops)]
    logged = [at_ns for _, at_ns, _ in messages["/plan/arm"]]
    assert logged == sorted(logged)
    assert [1e-9 * ns for ns in logged] == pytest.approx([stamp for stamp, *_ in arms(messages)], abs=NS)


def test_another_reader_with_its_own_definitions_agrees(files: Path, messages: Any) -> None:
    from rosbags.highlevel import AnyReader
    from rosbags.typesys import Stores, get_typestore

    with AnyReader([files / "plan.mcap"], default_typestore=get_typestore(Stores.ROS2_HUMBLE)) as reader:
        found = [(c.topic, reader.deserialize(raw, c.msgtype)) for c, _, raw in reader.messages()]
    assert len(found) == sum(len(rows) for rows in messages.values())
    drive = next(m for topic, m in found if topic == "/plan/drive")
    theirs = messages["/plan/drive"][0][2]
    assert [p.pose.position.x for p in drive.poses] == [p.pose.position.x for p in theirs.poses]
    mine = [m for topic, m in found if topic == "/plan/arm"]
    for one, (_, names, _, places, _) in zip(mine, arms(messages), strict=True):
        assert one.joint_names == names
        assert np.array([p.positions for p in one.points]) == pytest.approx(places, abs=0.0)


def test_the_drive_is_no_faster_than_the_base_and_comes_to_every_stop(messages: Any, planned: Any) -> None:
    """By finite differences of the message alone; 1e-6 for times that are whole nanoseconds."""
    site, _, plan = planned
    path = messages["/plan/drive"][0][2]
    assert path.header.frame_id == "map"
    at_s = np.array([seconds(p.header.stamp) for p in path.poses])
    place = np.array([(p.pose.position.x, p.pose.position.y, p.pose.position.z) for p in path.poses])
    turn = np.array([(p.pose.orientation.w, p.pose.orientation.z) for p in path.poses])
    assert np.linalg.norm(turn, axis=1) == pytest.approx(np.ones(len(turn)))
    yaw = 2.0 * np.arctan2(turn[:, 1], turn[:, 0])
    step, lasts = np.linalg.norm(np.diff(place, axis=0), axis=1), np.diff(at_s)
    turned = np.abs((np.diff(yaw) + np.pi) % (2 * np.pi) - np.pi)
    assert (place[:, 2] == 0.0).all()
    assert lasts.min() > 0.0
    assert step.max() <= 0.1 + 1e-9
    assert (step <= site.rig.base.speed_m_s * lasts * (1 + 1e-6) + 1e-8).all()
    assert (turned <= site.rig.base.turn_rad_s * lasts * (1 + 1e-6) + 1e-8).all()
    assert not ((step > 1e-9) & (turned > 1e-9)).any()  # it turns on the spot or drives straight
    along = np.arctan2(np.diff(place[:, 1]), np.diff(place[:, 0]))[step > 1e-9]
    assert np.abs(np.sin(along - yaw[1:][step > 1e-9])).max() < 1e-6  # forwards or backwards, never sideways
    poses = np.column_stack([place[:, :2], np.cos(yaw), np.sin(yaw)])
    for stop, (stamp, *_), pose in zip(plan.stops, arms(messages), messages["/plan/stops"][0][2].poses, strict=True):
        want = [stop.base.x_m, stop.base.y_m, np.cos(stop.base.yaw_rad), np.sin(stop.base.yaw_rad)]
        assert poses[int(np.argmin(np.abs(at_s - stamp)))] == pytest.approx(want, abs=1e-9)
        assert at_s[int(np.argmin(np.abs(at_s - stamp)))] == pytest.approx(stamp, abs=NS)
        assert (pose.position.x, pose.position.y) == (stop.base.x_m, stop.base.y_m)


def test_the_arm_keeps_the_urdf_s_limits_and_its_own_speeds(messages: Any, planned_site: Path, planned: Any) -> None:
    """Limits read from the URDF as XML. Speeds by finite differences of the positions: within the limit, and between
    two points they are the mean of the two velocities given to within a twentieth of the limit (the speed's slope
    changes within a step once or twice at most)."""
    _, _, plan = planned
    root = ElementTree.fromstring((planned_site / "robot.urdf").read_text())
    limits = {
        joint.get("name"): [float(joint.find("limit").get(key)) for key in ("lower", "upper", "velocity")]  # type: ignore[union-attr,arg-type]
        for joint in root.findall("joint")
        if joint.find("limit") is not None
    }
    moved = 0.0
    for (stamp, names, at_s, place, speed), load in zip(arms(messages), plan.supplies.loads, strict=True):
        low, high, fastest = np.array([limits[name] for name in names]).T
        assert at_s[0] == 0.0
        assert np.diff(at_s).min() > 0.0
        assert at_s[-1] == pytest.approx(load.arm_s + load.heat_s, abs=1e-6)
        assert ((place >= low) & (place <= high)).all()
        assert (np.abs(speed) <= fastest * (1 + 1e-9)).all()
        mean = np.diff(place, axis=0) / np.diff(at_s)[:, None]
        assert (np.abs(mean) <= fastest * (1 + 1e-5)).all()
        assert (np.abs(mean - 0.5 * (speed[1:] + speed[:-1])) <= 0.05 * fastest).all()
        assert (speed[[0, -1]] == 0.0).all()
        assert place[0] == pytest.approx(place[-1], abs=1e-9)
        moved = max(moved, float((np.abs(speed) / fastest).max()))
        assert stamp > 0.0
    assert moved == pytest.approx(1.0, abs=0.05)  # and the fastest joint is driven at its limit somewhere


def test_a_cubic_through_the_points_is_the_planned_way(messages: Any, planned: Any) -> None:
    """What a joint trajectory controller of ROS 2 drives through positions and velocities is a cubic (SciPy's here).

    Against the plan sampled every millisecond: within a thousandth of a radian, the head within 0.5 mm (a quarter of
    the collision margin), and within 2 % over the speed limit, which a controller clips.
    """
    from scipy.interpolate import CubicHermiteSpline

    from swardwright.planning.reach import working_point_m
    from swardwright.shell.plan_work import arm_work

    site, _, plan = planned
    for (_, _, at_s, place, speed), fine in zip(arms(messages), arm_work(plan, site.rig, step_s=1e-3), strict=True):
        cubic = CubicHermiteSpline(at_s, place, speed)
        driven = cubic(fine.time_s)
        assert np.abs(driven - fine.joints_rad).max() < 1e-3
        off = working_point_m(site.rig, driven) - working_point_m(site.rig, fine.joints_rad)
        assert np.linalg.norm(off, axis=1).max() < 5e-4
        assert (np.abs(cubic.derivative()(fine.time_s)) <= 1.02 * site.rig.arm.velocity_rad_s).all()


def test_the_head_is_over_each_aim_while_it_is_heated(messages: Any, planned_site: Path, planned: Any) -> None:
    """By Pinocchio, joints by name, 0.2 mm: as near as the planner calls arrived; still for the whole dwell."""
    pin = pytest.importorskip("pinocchio", reason="the package pin is not installed")
    site, _, plan = planned
    model = pin.buildModelFromUrdf(str(planned_site / "robot.urdf"))
    data, head = model.createData(), site.rig.head
    frame = model.getFrameId(head.link)
    for (_, names, at_s, place, speed), stop in zip(arms(messages), plan.stops, strict=True):
        stands = [n for n, (a, b) in enumerate(pairwise(place)) if (a == b).all()]
        found = []
        for n in stands:
            assert (speed[[n, n + 1]] == 0.0).all()
            q = pin.neutral(model)
            for name, value in zip(names, place[n], strict=True):
                q[model.joints[model.getJointId(name)].idx_q] = value
            pin.framesForwardKinematics(model, data, q)
            point = data.oMf[frame].act(np.asarray(head.working_point_m, dtype=float))
            found.append((point, at_s[n + 1] - at_s[n]))
        held = [(h.aim_base_m, h.hold_s) for h in stop.holds]
        for (point, lasts), (aim, hold_s) in zip(found[-len(held) :], held, strict=True):
            assert point[:2] == pytest.approx(aim, abs=2e-4)
            assert abs(point[2]) < 2e-4
            assert lasts >= hold_s


def test_the_map_is_valid_and_true(files: Path, planned: Any) -> None:
    site, register, plan = planned
    written = json.loads((files / "plan.geojson").read_text())
    assert len(FeatureCollection.model_validate(written).features) == len(written["features"])
    o = site.origin
    to_ground = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 +step "
        f"+proj=topocentric +ellps=WGS84 +lon_0={o.longitude_deg} +lat_0={o.latitude_deg} +h_0={o.height_m}"
    )

    def ground(position: list[float]) -> tuple[float, ...]:
        return to_ground.transform(*position, o.height_m)[:2]

    of = {w: [f for f in written["features"] if f["properties"]["what"] == w] for w in ("hold", "control", "refused")}
    names = [f["properties"]["name"] for rows in of.values() for f in rows]
    assert sorted(names) == sorted(w.id for w in register.weeds)  # every plant, once
    weeds = {w.id: w.mean_m for w in register.weeds}
    for rows in of.values():
        for f in rows:
            assert ground(f["geometry"]["coordinates"]) == pytest.approx(weeds[f["properties"]["name"]], abs=2e-4)
            assert f["properties"].get("reason", "heated")
    stops = [f for f in written["features"] if f["properties"]["what"] == "stop"]
    for f, stop in zip(stops, plan.stops, strict=True):
        assert ground(f["geometry"]["coordinates"]) == pytest.approx((stop.base.x_m, stop.base.y_m), abs=2e-4)
        turned = np.radians(90.0 - f["properties"]["heading_deg_from_north"]) - stop.base.yaw_rad
        assert abs(np.sin(0.5 * turned)) < 1e-3
    drives = [f["geometry"]["coordinates"] for f in written["features"] if f["properties"]["what"] == "drive"]
    way = [ground(p) for line in drives for p in line]
    assert way[0] == pytest.approx((plan.start.x_m, plan.start.y_m), abs=2e-4)
    length = sum(float(np.hypot(*np.subtract(b, a))) for a, b in pairwise(way))
    assert length == pytest.approx(plan.supplies.drive_m, abs=1e-2)
