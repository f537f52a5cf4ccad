"""The simulated robot: the ``Robot`` protocol over the invented site, with its own clock and its own errors.

Where the robot really is, where its camera and arm really point and what heat does are known only here; what comes out
is a recording, pictures, and reports that believe. True errors are drawn from the site's stated error sources: mount,
intrinsics once per site; joints per arm motion (per frame in a survey); tilt and ground height per stop (per frame in a
survey). Growing points sit within half of a plant's radius about its drawn centre, and a plant lives on as long as the
least heated of them does; the stated crown error is left to the detector.

The same seed and the same calls give the same result, in one process or in many: every draw comes from
``default_rng([seed, number of calls so far])``. This software is not a safety function.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError, RobotFaultError
from swardwright.domain.heat import dose_kg_m2, footprint_density_m2
from swardwright.domain.poses import Array, BasePose, Pose, rotation_from_vector, wrap_angle
from swardwright.domain.robot import HeatReport, Picture, RobotState, TimedWay
from swardwright.domain.site import Site
from swardwright.simulation.drive import BELIEF_SIGMA, BELIEF_TAU_S
from swardwright.simulation.ground import Ground, Light, Scorch, paint_plants, paint_scorch, render_view
from swardwright.simulation.kept import kept_turf
from swardwright.simulation.plants import Plant
from swardwright.simulation.turf import Image
from swardwright.simulation.world import (
    DAY_S,
    START_S,
    Fate,
    State,
    World,
    as_it_is,
    emerge,
    growing_points_m,
    read_json,
    receive,
    world_from_json,
    write_json,
    write_truth,
)

_PICTURE_S, _REPORT_S, _SETTLE_S = 0.1, 0.02, 0.3
_LONGEST_HOLD_S = 60.0
_LOWEST_DRIVING_M = 0.15
#: a way must begin where the arm is, to within this
_WHERE_IT_IS_RAD = 1e-3
#: doses below this are not worth an account
_LEAST_DOSE_KG_M2 = 1e-6


class SimulatedRobot:
    """A robot on an invented site; implements ``swardwright.domain.robot.GoingRobot``."""

    def __init__(self, folder: Path, site: Site) -> None:
        self.folder = folder / "simulation"
        self.site = site
        where = self.folder / "world.json"
        self.world: World = world_from_json(read_json(where), str(where))
        self._first = {p.id: p for p in self.world.plants()}
        self._state = self._load()
        self._turf: Ground | None = None
        self._painted: tuple[tuple[object, ...], Ground] | None = None
        rig, errors = site.rig, site.rig.errors
        rng = np.random.default_rng([self.world.seed, 5])
        turn, shift = rng.normal(0, errors.mount_rad, 3), rng.normal(0, errors.mount_m, 3)
        self._mount = Pose("camera", "camera", rotation_from_vector(turn), shift)
        spread = rig.camera.covariance
        root = np.linalg.cholesky(spread + np.diag(1e-12 * np.maximum(np.diag(spread), 1e-12)))
        self._camera = rig.camera.perturbed(root @ rng.standard_normal(len(spread)))

    # --- the Robot protocol -----------------------------------------------------------------------------------

    def state(self) -> RobotState:
        """Return a fresh report."""
        rng = self._call()
        self._pass(_REPORT_S)
        return self._report(rng)

    def drive_to(self, target: BasePose) -> RobotState:
        """Drive so that the robot's own belief of its base pose is ``target``; the truth is off by its own error.

        Raises
        ------
        RobotFaultError
            If the head hangs so low that it would strike.
        """
        rng, base, s = self._call(), self.site.rig.base, self._state
        tip = self.site.rig.arm.pose(np.array(s.joints_rad), self.site.rig.head.link, "head")
        if tip.translation_m[2] < _LOWEST_DRIVING_M:
            raise RobotFaultError("the head hangs too low for driving", field="head height",
                                  value=f"{tip.translation_m[2]:.2f} m", limit=f"{_LOWEST_DRIVING_M} m or more",
                                  remedy="fold the arm into its rest posture first")  # fmt: skip
        before = BasePose(*s.base)
        distance = math.hypot(target.x_m - before.x_m, target.y_m - before.y_m)
        turns = abs(wrap_angle(target.yaw_rad - before.yaw_rad))
        if distance > 1e-6:
            heading = math.atan2(target.y_m - before.y_m, target.x_m - before.x_m)
            turns = abs(wrap_angle(heading - before.yaw_rad)) + abs(wrap_angle(target.yaw_rad - heading))
        seconds = distance / base.speed_m_s + turns / base.turn_rad_s
        self._spend(base.energy_j_m * distance + base.energy_j_rad * turns)
        self._pass(seconds)
        keep = math.exp(-seconds / BELIEF_TAU_S)
        error = keep * np.array(s.error) + math.sqrt(1 - keep * keep) * BELIEF_SIGMA * rng.standard_normal(3)
        s.error = _three(error)
        s.base = _three(target.as_array())
        if distance > 0 or turns > 0:
            s.tilt_rad, s.height_m = self._stand(rng)
        return self._report(rng)

    def move_arm(self, joints_rad: tuple[float, ...]) -> RobotState:
        """Move the arm to a posture.

        Raises
        ------
        RobotFaultError
            If the posture is outside the joints' limits or the head would touch the ground.
        """
        rng, arm = self._call(), self.site.rig.arm
        wanted = np.array(joints_rad, dtype=float)
        if wanted.shape != (len(arm.moving),) or not np.isfinite(wanted).all():
            raise RobotFaultError("a posture needs one finite angle for each joint", field="joints", value=joints_rad,
                                  limit=", ".join(arm.joint_names))  # fmt: skip
        self._check_postures(wanted[None])
        return self._moved(rng, wanted, float(np.max(np.abs(wanted - self._state.joints_rad) / arm.velocity_rad_s)))

    def move_through(self, way: TimedWay) -> RobotState:
        """Drive the way at its times; the joints' error is drawn once, where the arm comes to stand.

        Raises
        ------
        RobotFaultError
            If the way does not begin where the arm is, is faster than the joints can be, passes their limits, or the
            head would touch the ground.
        """
        rng, arm = self._call(), self.site.rig.arm
        time, joints = np.array(way.time_s, dtype=float), np.array(way.joints_rad, dtype=float)
        if len(time) < 2 or joints.shape != (len(time), len(arm.moving)) or not np.isfinite(joints).all():
            raise RobotFaultError("a way needs two or more samples, at each a time and one finite angle for each joint",
                                  field="way", limit=", ".join(arm.joint_names))  # fmt: skip
        steps = np.diff(time)
        if time[0] != 0.0 or not np.isfinite(time).all() or not (steps > 0.0).all():
            raise RobotFaultError("a way's times must begin at 0 and increase", field="way")
        if np.abs(joints[0] - self._state.joints_rad).max() > _WHERE_IT_IS_RAD:
            raise RobotFaultError("the way does not begin where the arm is", field="way", value=joints[0].tolist(),
                                  limit=f"{list(self._state.joints_rad)}, to {_WHERE_IT_IS_RAD} rad")  # fmt: skip
        pace = np.abs(np.diff(joints, axis=0)) / steps[:, None] / arm.velocity_rad_s
        if pace.max() > 1.0 + 1e-6:
            worst = int(np.argmax(pace.max(axis=0)))
            raise RobotFaultError("a joint would be faster than it can be", field=arm.joint_names[worst],
                                  limit=f"{arm.velocity_rad_s[worst]:.2f} rad/s")  # fmt: skip
        self._check_postures(joints)
        return self._moved(rng, joints[-1], float(time[-1]))

    def picture(self) -> Picture:
        """Take a picture."""
        rng, s = self._call(), self._state
        self._pass(_PICTURE_S)
        base = self._ground_from_base(self.true_base(), s.tilt_rad, s.height_m)
        pose = base @ self._base_from_camera(np.array(s.joints_rad) + s.joint_error_rad)
        light = replace(Light.draw(rng, spread=0.7), motion_px=(0.0, 0.0))
        image = render_view(self.ground(), self._camera, pose, rng, light)
        return Picture(image, self._report(rng))

    def light(self, on: bool) -> RobotState:
        """Light or put out the pilot flame."""
        rng = self._call()
        self._pass(self.site.rig.head.ignition_s if on else self.site.rig.head.valve_delay_s)
        self._state.lit = bool(on) and self._state.gas_kg > 0
        return self._report(rng)

    def heat(self, seconds: float) -> HeatReport:
        """Full flame for ``seconds`` where the head truly points; heat lands there with the head's landing spread.

        Raises
        ------
        RobotFaultError
            If the pilot is out, the time is not sensible, or the head does not point at the ground.
        """
        rng, head, s = self._call(), self.site.rig.head, self._state
        seconds = float(seconds)
        if not (math.isfinite(seconds) and 0 < seconds <= _LONGEST_HOLD_S):
            raise RobotFaultError("this heating time is not possible", field="seconds", value=seconds,
                                  limit=f"more than 0, at most {_LONGEST_HOLD_S} s")  # fmt: skip
        if not s.lit:
            raise RobotFaultError("the pilot flame is not lit", remedy="light it first")
        at = self.landing_m()
        x, y = at + rng.normal(0, head.landing_sigma_m, 2)
        possible = (s.gas_kg - head.flow_kg_s * 2 * head.valve_delay_s) / head.flow_kg_s
        heated = min(seconds, max(possible, 0.0))
        self._pass(heated + 2 * head.valve_delay_s)
        gas = head.flow_kg_s * (heated + head.valve_delay_s)
        s.gas_kg = max(0.0, s.gas_kg - gas)
        if heated > 0:
            self._land(float(x), float(y), heated)
        if heated < seconds:
            s.lit = False
        self._save()
        reason = "" if heated == seconds else "the gas ran out"
        return HeatReport(float(heated), float(gas), heated == seconds, reason)

    def record_survey(self, lanes: tuple[tuple[BasePose, ...], ...], path: Path) -> None:
        """Stand at the site's start, drive the lanes in survey posture and write the recording to ``path``."""
        from swardwright.simulation.survey import record

        if not lanes or not any(lanes):
            raise InputError("a survey needs at least one lane", field="lanes", remedy="check the site's zones")
        rng, s, rig = self._call(), self._state, self.site.rig
        s.joints_rad = tuple(rig.survey_joints_rad)
        s.joint_error_rad = (0.0,) * len(s.joints_rad)
        course = record(self, lanes, path, rng)
        seconds = len(course.wanted) * 0.02
        self._spend(rig.base.energy_j_m * float(course.distance_m[-1])
                    + rig.base.energy_j_rad * float(course.turned_rad[-1]))  # fmt: skip
        self._pass(seconds)
        last = course.wanted[-1]
        s.base = (float(last[0]), float(last[1]), wrap_angle(float(last[2])))
        s.error = _three(course.error[-1])
        s.tilt_rad, s.height_m = self._stand(rng)
        s.joint_error_rad = tuple(float(v) for v in rng.normal(0, rig.errors.joint_rad, len(s.joints_rad)))
        self._save()

    def wait(self, seconds: float) -> None:
        """Let time pass: plants die, wilt and regrow, seedlings come up; people refill gas and charge.

        Raises
        ------
        InputError
            If the time is negative, not finite, or more than ten years.
        """
        if not (math.isfinite(seconds) and 0 <= seconds <= 3660 * DAY_S):
            raise InputError("this waiting time is not possible", field="seconds", value=seconds,
                             limit="0 to ten years")  # fmt: skip
        rng, s = self._call(), self._state
        s.lit = False
        s.clock_s += float(seconds)
        if seconds >= 3600:
            s.gas_kg, s.battery = self.site.rig.gas.cylinder_kg * self.site.rig.gas.usable, 1.0
        standing = [p for _, p, _ in self._all()]
        new = emerge(self.world, standing, seconds / DAY_S, len(s.emerged), rng)
        s.emerged += [(p, s.clock_s) for p in new]
        self._save()
        write_truth(self.folder / "truth.json", ((p, now) for p, now, _ in self._all()), s.clock_s)

    # --- what is true, for the simulation's own tests -----------------------------------------------------------

    @property
    def clock_s(self) -> float:
        """The robot's clock, seconds since the epoch."""
        return self._state.clock_s

    @property
    def true_camera(self) -> Camera:
        """The camera as it really is."""
        return self._camera

    def true_base(self) -> BasePose:
        """Return where the base really is."""
        x, y, yaw = np.array(self._state.base) - self._state.error
        return BasePose(float(x), float(y), wrap_angle(float(yaw)))

    def landing_m(self) -> Array:
        """Return where the true head axis meets the true ground, (2,), metres.

        Raises
        ------
        RobotFaultError
            If the head does not point at the ground.
        """
        s, rig = self._state, self.site.rig
        base = self._ground_from_base(self.true_base(), s.tilt_rad, s.height_m)
        joints = np.array(s.joints_rad) + s.joint_error_rad
        head = base @ rig.arm.pose(joints, rig.head.link, "head")
        way, tip = head.rotation[:, 2], head.translation_m
        if way[2] > -0.5 or tip[2] < -0.05:
            raise RobotFaultError("the head does not point at the ground", field="head direction",
                                  value=np.round(way, 3).tolist(),
                                  remedy="move the head over the aim first")  # fmt: skip
        return np.asarray(tip[:2] - way[:2] * (tip[2] / way[2]))

    def plants_now(self) -> list[Plant]:
        """Return every plant as it is now, dead ones included."""
        return [now for _, now, _ in self._all()]

    def dose_of(self, plant_id: str) -> float:
        """Return the dose that a plant's least heated growing point received in its latest round, kg/m2."""
        fate = self._state.fates.get(plant_id)
        return 0.0 if fate is None else fate.dose_kg_m2

    def ground(self) -> Ground:
        """Return the ground as it looks now (drawn anew when something looks different)."""
        plants = self.plants_now()
        scorches = self._scorches()
        key = (*plants, *scorches)
        if self._painted is None or self._painted[0] != key:
            if self._turf is None:
                self._turf = kept_turf(self.folder, self.world)
            turf = self._turf
            ground = turf.with_image(turf.image.copy())
            paint_scorch(ground, scorches, self.site.limits.turf_dose_kg_m2)
            paint_plants(ground, plants, self.world.look.brightness)
            self._painted = (key, ground)
        return self._painted[1]

    def view(self, base: BasePose, tilt_rad: tuple[float, float], height_m: float, joints_rad: Array,
             rng: np.random.Generator, light: Light) -> tuple[Image, Pose]:  # fmt: skip
        """Return the picture, and the true camera pose, of a true base pose and true joints."""
        pose = self._ground_from_base(base, tilt_rad, height_m) @ self._base_from_camera(joints_rad)
        return render_view(self.ground(), self._camera, pose, rng, light), pose

    # --- inside -------------------------------------------------------------------------------------------------

    def _check_postures(self, joints: Array) -> None:
        arm = self.site.rig.arm
        beyond = np.maximum(arm.lower_rad - joints, joints - arm.upper_rad)
        if beyond.max() > 1e-9:
            at, worst = np.unravel_index(int(np.argmax(beyond)), beyond.shape)
            raise RobotFaultError("a joint would leave its limits", field=arm.joint_names[int(worst)],
                                  value=f"{joints[at, worst]:.4f} rad",
                                  limit=f"{arm.lower_rad[worst]:.2f} to {arm.upper_rad[worst]:.2f} rad")  # fmt: skip
        lowest_m = float(arm.forward(joints, self.site.rig.head.link)[:, 2, 3].min())
        if lowest_m < 0.01:
            raise RobotFaultError("the head would strike the ground", field="head height", value=f"{lowest_m:.3f} m",
                                  limit="0.01 m or more")  # fmt: skip

    def _moved(self, rng: np.random.Generator, joints: Array, seconds: float) -> RobotState:
        s, rig = self._state, self.site.rig
        self._spend(rig.power.arm_w * (seconds + _SETTLE_S))
        self._pass(seconds + _SETTLE_S)
        s.joints_rad = tuple(float(v) for v in joints)
        s.joint_error_rad = tuple(float(v) for v in rng.normal(0, rig.errors.joint_rad, len(joints)))
        return self._report(rng)

    def _load(self) -> State:
        path = self.folder / "state.json"
        if path.exists():
            data = read_json(path)
            try:
                return State.from_json(data)
            except (KeyError, TypeError, ValueError) as error:
                raise InputError(f"the simulated robot's state is not readable: {error}", where=str(path),
                                 remedy="make the invented site anew (swardwright demo)") from error  # fmt: skip
        rig = self.site.rig
        joints = tuple(float(v) for v in rig.rest_joints_rad)
        return State(
            base=_three(self.site.start.as_array()), joints_rad=joints, joint_error_rad=(0.0,) * len(joints),
            gas_kg=rig.gas.cylinder_kg * rig.gas.usable,
        )  # fmt: skip

    def _save(self) -> None:
        write_json(self.folder / "state.json", self._state.to_json())

    def _call(self) -> np.random.Generator:
        self._state.calls += 1
        return np.random.default_rng([self.world.seed, 1000, self._state.calls])

    def _pass(self, seconds: float) -> None:
        s, rig = self._state, self.site.rig
        s.clock_s += seconds
        self._spend(rig.power.computer_w * seconds)
        if s.lit:
            s.gas_kg = max(0.0, s.gas_kg - rig.head.pilot_kg_s * seconds)
            s.lit = s.gas_kg > 0

    def _spend(self, energy_j: float) -> None:
        power = self.site.rig.power
        self._state.battery = max(0.0, self._state.battery - energy_j / (power.battery_j * power.rail_efficiency))

    def _stand(self, rng: np.random.Generator) -> tuple[tuple[float, float], float]:
        """Return roll and pitch (rad) and ground height (m) of a place, drawn from the site's error sources."""
        errors = self.site.rig.errors
        roll, pitch = rng.normal(0, errors.tilt_rad, 2)
        return (float(roll), float(pitch)), float(rng.normal(0, errors.ground_m))

    def _report(self, rng: np.random.Generator) -> RobotState:
        self._save()
        s = self._state
        spread = tuple(float(v) for v in np.diag(np.square(BELIEF_SIGMA)).ravel())
        return RobotState(
            stamp_s=s.clock_s, now_s=s.clock_s, base=BasePose(*s.base), base_covariance=spread,
            joints_rad=s.joints_rad, emergency_stop=False, dead_man_held=True, flame_lit=s.lit,
            nearest_person_m=math.inf, wind_m_s=float(abs(1.4 + 0.4 * rng.standard_normal())), gas_kg=s.gas_kg,
            battery=s.battery,
        )  # fmt: skip

    @staticmethod
    def _ground_from_base(base: BasePose, tilt_rad: tuple[float, float], height_m: float) -> Pose:
        """The true base: tilted, and lower against the drawn plane by as much as the ground is higher there."""
        return Pose.from_rpy("ground", "base", (base.x_m, base.y_m, -height_m), (*tilt_rad, base.yaw_rad))

    def _base_from_camera(self, joints_rad: Array) -> Pose:
        return self.site.rig.arm.pose(joints_rad, self.site.rig.camera_link, "camera") @ self._mount

    def _all(self) -> Iterable[tuple[Plant, Plant, float]]:
        """Yield ``(as it first stood, as it is now, born)`` of every plant."""
        s = self._state
        born = [(p, START_S) for p in self._first.values()] + s.emerged
        for plant, at in born:
            yield plant, as_it_is(self.site, plant, s.fates.get(plant.id), at, s.clock_s), at

    def _land(self, x_m: float, y_m: float, seconds: float) -> None:
        head, s = self.site.rig.head, self._state
        for plant, now, _ in list(self._all()):
            offset2 = np.square(growing_points_m(now) - np.array([x_m, y_m])).sum(axis=1)
            doses = dose_kg_m2(head, seconds, offset2)
            if doses.max() > _LEAST_DOSE_KG_M2:
                receive(self.world, self.site, plant, s.fates.setdefault(plant.id, Fate()), doses, s.clock_s)
        peak = head.flow_kg_s * seconds * float(footprint_density_m2(0.0, head.footprint_sigma_m))
        s.heats.append((x_m, y_m, peak, s.clock_s))

    def _scorches(self) -> list[Scorch]:
        s, sigma = self._state, self.site.rig.head.footprint_sigma_m
        ages = [math.floor((s.clock_s - at) / DAY_S) for *_, at in s.heats]
        return [
            Scorch(x, y, peak, sigma, float(age))
            for (x, y, peak, _), age in zip(s.heats, ages, strict=True)
            if 1 <= age < 40
        ]


def _three(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
