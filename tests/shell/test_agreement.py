"""Whether pictures and stated errors agree: verdicts, words, figure, and the commands that say it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.site import ErrorSources
from swardwright.domain.weed import Fit, Register, SiteError
from swardwright.locating import locate, looks
from swardwright.merging import merge
from swardwright.shell.agreement import AGREES, CONTRADICTS, GENEROUS, UNJUDGED, agreement
from swardwright.shell.agreement_words import as_data, brief, doubt, held, sentences
from swardwright.shell.open_site import opened
from swardwright.simulation.pixel_survey import clustered_plants, draw_survey, invented_rig, lanes

Call = Callable[..., Result]
MOUNT_SD = np.array([5e-3] * 3 + [3e-3] * 3)


def site_error(source: str, stated: Any, whitened: Any, left: float = 0.1, statistic: float | None = None,
               degrees: int | None = None) -> SiteError:  # fmt: skip
    """An error estimated at ``whitened`` stated s.d., ``left`` of its stated variance remaining."""
    stated, whitened = np.asarray(stated, dtype=float), np.asarray(whitened, dtype=float)
    prior = np.diag(stated**2)
    statistic = float(whitened @ whitened) / (1 - left) if statistic is None else statistic
    # the probability is not used by what is tested here: it is worked out anew
    return SiteError(source, stated * whitened, left * prior, prior, statistic, degrees or len(stated), 0.5)


def register(fit: Fit | None = None, *errors: SiteError) -> Register:
    return Register(3, (), site_errors=errors, fit=fit)


#: invented: every source at work
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
    tilt_rad=math.radians(0.25), ground_m=0.004, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
    yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012, joint_offset_rad=math.radians(0.1), plane_m=0.005,
    roughness_m=0.005, odometry_scale=0.02,
)  # fmt: skip
CALM = site_error("mount", MOUNT_SD, [0.5, -1.0, 0.3, 0.8, -0.2, 0.1])
WRONG = site_error("mount", MOUNT_SD, [0.2, 6.0, 0.1, 1.0, 0.3, 0.0])


@pytest.mark.parametrize(
    ("fit", "errors", "verdict"),
    [
        (Fit(100.0, 100), (CALM,), AGREES),
        (Fit(100.0, 100), (CALM, WRONG), CONTRADICTS),
        (Fit(180.0, 100), (CALM,), CONTRADICTS),
        (Fit(50.0, 100), (CALM,), GENEROUS),
        (Fit(50.0, 100), (WRONG,), CONTRADICTS),  # the worse news wins
        (Fit(3.0, 10), (CALM,), AGREES),  # 0.3 of what is stated is nothing unusual with ten degrees of freedom
        (Fit(9300.0, 10000), (CALM,), AGREES),  # very unlikely, and too small a difference to matter
        (Fit(10700.0, 10000), (), AGREES),
        (Fit(0.0, 0), (), UNJUDGED),
        (None, (), UNJUDGED),
        (None, (WRONG,), CONTRADICTS),
    ],
)
def test_each_verdict(fit: Fit | None, errors: tuple[SiteError, ...], verdict: str) -> None:
    found = agreement(register(fit, *errors))
    assert found.verdict == verdict
    text = " ".join(sentences(found, "green"))
    assert {AGREES: "agree:", CONTRADICTS: "contradict", GENEROUS: "too generous", UNJUDGED: "cannot"}[verdict] in text
    assert "nan" not in text
    assert json.loads(json.dumps(as_data(found)))["verdict"] == verdict


def test_the_limit_is_the_tables_and_allows_for_how_many_are_tested() -> None:
    """18.467 is exceeded with probability 0.001 (NIST/SEMATECH e-Handbook, 1.3.6.7.4, four degrees of freedom)."""
    below, above = (site_error("intrinsics", [0.8] * 4, [1.0] * 4, statistic=s) for s in (18.44, 18.49))
    assert agreement(register(None, below)).verdict == UNJUDGED
    assert agreement(register(None, above)).verdict == CONTRADICTS
    assert agreement(register(None, above, CALM)).verdict == UNJUDGED
    silent = replace(CALM, degrees=0, statistic=0.0)
    assert agreement(register(None, above, silent)).verdict == CONTRADICTS  # what was not tested does not count


def test_right_errors_seldom_raise_the_alarm() -> None:
    rng = np.random.default_rng(4)
    alarms, many = 0, 3000
    for _ in range(many):
        errors = [site_error(s, np.ones(k), math.sqrt(0.9) * rng.standard_normal(k))
                  for s, k in (("mount", 6), ("intrinsics", 4), ("plane", 1), ("drift", 3))]  # fmt: skip
        fit = Fit(float(rng.chisquare(200)), 200)
        alarms += agreement(register(fit, *errors)).verdict != AGREES
    # two tests of 1e-3 each: 6 are expected, and 17 or more come with a probability of 2e-4 (Poisson)
    assert alarms < 17


@pytest.mark.parametrize("stated", [1e-6, 3e-3])
def test_what_would_explain_the_pictures_is_the_least_squares_answer(stated: float) -> None:
    """However small the error was stated: against NumPy's least squares, which knows nothing of what was stated."""
    rng = np.random.default_rng(8)
    jacobian = rng.normal(size=(400, 6)) * [1.0, 1.0, 0.5, 1.0, 0.7, 0.2]
    noise_m, truth = 2e-3, np.array([0.012, -0.01, 0.02, 0.008, -0.012, 0.03])
    seen = jacobian @ truth + noise_m * rng.standard_normal(400)
    best = np.linalg.lstsq(jacobian, seen, rcond=None)[0]
    information = jacobian.T @ jacobian / noise_m**2
    covariance = np.linalg.inv(information + np.eye(6) / stated**2)
    mean = covariance @ jacobian.T @ seen / noise_m**2
    told = np.eye(6) - covariance / stated**2
    statistic = float(mean @ np.linalg.solve(told, mean)) / stated**2
    error = SiteError("mount", mean, np.array(covariance, dtype=np.float64), stated**2 * np.eye(6), statistic, 6, 0.0)
    found = agreement(register(Fit(400.0, 400), error))
    explains = np.array([c.explains for c in found.sources[0].learnt])
    expected = np.concatenate([np.degrees(best[:3]), 1000 * best[3:]])
    np.testing.assert_allclose(explains, expected, rtol=1e-3, atol=0.02 * np.abs(expected).max())
    assert found.sources[0].is_stated == (stated > 1e-5)
    words = " ".join(sentences(found, "green"))
    assert f"{math.degrees(np.linalg.norm(best[:3])):.2g} deg and {1000 * np.linalg.norm(best[3:]):.2g} mm" in words
    assert ("as exact as site.toml says" in words) == (stated > 1e-5)
    assert "swardwright calibrate mount green" in words


def test_of_those_that_look_alike_the_least_far_fetched_comes_first() -> None:
    lens = site_error("intrinsics", [0.8] * 4, [0.3, 0.0, 0.0, 0.0], left=0.998)  # 150 stated s.d. would explain it
    lens = replace(lens, statistic=60.0)
    found = agreement(register(Fit(100.0, 100), lens, replace(WRONG, statistic=58.0)))
    assert [s.source for s in found.sources] == ["intrinsics", "mount"]
    assert [s.source for s in found.suspects] == ["mount", "intrinsics"]
    words = sentences(found, "green")
    assert "the camera mount off by" in words[0]
    assert "focal length" in words[1]
    assert "look alike" in words[1]
    far = agreement(register(Fit(100.0, 100), replace(lens, statistic=200.0), WRONG))
    assert [s.source for s in far.suspects] == ["intrinsics", "mount"]
    assert "explaining less" in sentences(far)[1]
    joints = site_error("joint_offset", [1e-6] * 6, [1e-4] * 6, left=1 - 1e-6, statistic=60.0)
    alike = doubt(register(Fit(100.0, 100), joints, WRONG), _site())
    assert alike is not None
    assert alike.command == "calibrate mount"


def _site() -> Any:
    class Arm:
        joint_names = ("a", "b")

    class Rig:
        arm, mount_covariance = Arm, None

    class Site:
        rig = Rig

    return Site


def test_what_was_learnt_is_told_in_its_own_units() -> None:
    found = agreement(register(Fit(100.0, 100), replace(CALM, covariance=0.04 * np.diag(MOUNT_SD**2))))
    assert "the camera mount to 0.057 deg and 0.6 mm (stated 0.29 deg and 3 mm)" in sentences(found)[1]
    learnt = as_data(found)["sources"][0]["learnt"]
    assert learnt[1]["estimate"] == pytest.approx(math.degrees(-5e-3))
    assert (learnt[3].pop("name"), learnt[3].pop("unit")) == ("mount shifted along x", "mm")
    assert learnt[3] == pytest.approx({"estimate": 2.4, "sigma": 0.6, "stated": 3.0, "explains": 2.4})


def _merged(seed: int, truth: dict[str, float], drop: tuple[str, ...] = ()) -> Register:
    """A survey drawn with some errors so many times what is stated (``drop``: neither there nor stated), merged."""
    rng = np.random.default_rng([71, seed])
    stated = replace(ERRORS, **dict.fromkeys(drop, 0.0))
    real = replace(stated, **{name: k * getattr(stated, name) for name, k in truth.items()})
    crowns = clustered_plants(rng, (-0.3, -0.6), (6.3, 1.6), density_m2=4.0)
    survey = draw_survey(invented_rig(real), crowns, lanes(6.0, 2), rng)
    rig = replace(survey.rig, errors=stated)
    sightings = locate(survey.frames, survey.detections, rig)
    seen = looks(survey.frames, rig, detection_probability=0.92, false_alarms_m2=0.03)
    return merge(None, sightings, seen, tracks=[] if survey.track is None else [survey.track])


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_surveys_drawn_as_stated_and_otherwise(seed: int) -> None:
    """The truth is drawn, so that the verdict is known beforehand."""
    scatter = ("pixel_px", "joint_rad", "tilt_rad", "ground_m")
    assert agreement(_merged(seed, {})).verdict == AGREES
    worse = agreement(_merged(seed, dict.fromkeys(scatter, 2.0)))
    assert (worse.verdict, worse.suspects) == (CONTRADICTS, ())
    # of the private errors a few millimetres remain that are stated right: the factor lies between 1/2 and 1
    better = agreement(_merged(seed, dict.fromkeys(scatter, 0.5)))
    assert better.verdict == GENEROUS
    assert 0.5 < better.scatter < 0.8
    mount = agreement(_merged(seed, {"mount_rad": 12.0, "mount_m": 12.0}, ("joint_offset_rad", "plane_m")))
    assert mount.verdict == CONTRADICTS
    assert mount.suspects[0].source == "mount"


def test_how_much_an_ellipse_holds() -> None:
    """Against draws: a 95 % ellipse by stated variances where true ones are ``ratio`` of them."""
    rng = np.random.default_rng(1)
    for ratio in (0.64, 1.0, 1.5):
        square = ratio * (rng.standard_normal((200_000, 2)) ** 2).sum(axis=1)
        assert held(ratio) == pytest.approx((square < 5.991).mean(), abs=0.002)  # 3 s.d. of the draws: 0.0015


def test_brief_is_empty_where_nothing_was_merged() -> None:
    assert brief(None, _site()) == ""
    assert brief(register(), _site()) == ""
    assert brief(register(Fit(100.0, 100), WRONG), _site()).endswith("Until then every place is doubtful.")


def test_the_figure_marks_suspects(story: Any, tmp_path: Path) -> None:
    from matplotlib.image import imread

    from swardwright.shell.locate_figure import locate_figure
    from swardwright.shell.report_map import COLOURS

    orange = np.array([int(COLOURS[1][i : i + 2], 16) for i in (1, 3, 5)]) / 255
    joints = site_error("joint_offset", [1e-6], [1e-4], left=1 - 1e-6, statistic=60.0)
    share = {}
    for name, errors in (("calm", (CALM,)), ("wrong", (WRONG, joints)), ("none", ())):
        path = tmp_path / f"{name}.png"
        locate_figure(path, story.site, replace(story.register, site_errors=errors, fit=Fit(100.0, 100)))
        picture = imread(path)[..., :3]
        share[name] = (np.abs(picture[: len(picture) // 2] - orange).max(axis=-1) < 0.02).mean()
        assert picture.shape[1] > 1200
    assert share["wrong"] > 3 * share["calm"]
    empty = tmp_path / "empty.svg"
    locate_figure(empty, story.site, Register(1, ()))
    assert empty.stat().st_size > 1000


def test_status_and_report_tell_of_a_contradiction(own_site: Path, call: Call) -> None:
    with opened(own_site, write=True) as at:
        with at.store.writer():
            at.store.add_register(register(Fit(100.0, 100), CALM), made_by="locate", recordings=["a"])
        assert at.doubtful(at.register()) == ""
        assert at.status().doubt == ""
    assert "Doubtful" not in _shown(own_site)
    assert "Pictures and stated errors agree" in _page(call, own_site)
    with opened(own_site, write=True) as at:
        with at.store.writer():
            later = replace(register(Fit(100.0, 100), WRONG), revision=4)
            at.store.add_register(later, made_by="locate", recordings=["a"])
        assert at.doubtful(at.register()).startswith("DOUBTFUL, do not heat on it: ")
    assert "Doubtful: The pictures contradict" in call("status", own_site).stdout
    assert "contradict" in json.loads(call("status", own_site, "--json").stdout)["doubt"]
    shown = _shown(own_site)
    assert shown.index("Doubtful.") < shown.index("Next")
    page = _page(call, own_site)
    # 6 stated s.d. of 5 mrad, of which the stated error has taken a tenth; and 3 mm times (1, 0.3)
    assert math.degrees(6 * 5e-3 / 0.9) == pytest.approx(1.9, abs=0.05)
    assert "off by about 1.9 deg and 3.1 mm" in page
    assert page.index("Where the error comes from") < page.index("off by about")


def _shown(folder: Path) -> str:
    """The status as the local page shows it."""
    from swardwright.shell.web.page import _status

    class View:
        with opened(folder) as at:
            status = at.status()

    return str(_status(View, str(folder)))  # type: ignore[arg-type]


def _page(call: Call, folder: Path) -> str:
    done = call("report", folder, "--json")
    assert done.exit_code == 0, done.stderr
    return Path(json.loads(done.stdout)["report"]).read_text(encoding="utf-8")


GREEN = 'corners = ["0 m, 0 m", "12 m, 0 m", "12 m, 8 m", "0 m, 8 m"]'
PIECE = 'corners = ["1 m, 1 m", "5 m, 1 m", "5 m, 3 m", "1 m, 3 m"]'
STATED = 'rpy="0 0 -1.570796326794897"'
#: camera turned by 2.9 degrees against what the URDF says; the mount is stated to 0.3 degrees
TURNED = 'rpy="0.05 0 -1.570796326794897"'


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory, call: Call) -> Path:
    folder = tmp_path_factory.mktemp("agree") / "green"
    assert call("init", folder, "--invented", "--seed", "11").exit_code == 0
    path = folder / "site.toml"
    assert GREEN in path.read_text()
    path.write_text(path.read_text().replace(GREEN, PIECE))
    assert call("survey", folder).exit_code == 0
    return folder


@pytest.mark.slow
def test_a_camera_mounted_otherwise_than_the_urdf_says_is_found_out(
    recorded: Path, tmp_path: Path, call: Call, refused: Callable[..., str]
) -> None:
    import shutil

    def located(folder: Path) -> Iterator[str]:
        for command in ("take-in", "detect", "locate"):
            done = call(command, folder)
            assert done.exit_code == 0, done.stderr
            yield done.stdout

    wrong = Path(shutil.copytree(recorded, tmp_path / "wrong"))
    urdf = wrong / "robot.urdf"
    assert urdf.read_text().count(STATED) == 1
    urdf.write_text(urdf.read_text().replace(STATED, TURNED))  # the recording is of the true machine

    *_, said = located(recorded)
    assert "Pictures and stated errors agree" in said
    assert (recorded / "reports" / "locate-1.png").stat().st_size > 20_000
    assert json.loads(call("status", recorded, "--json").stdout)["next"] == "plan"
    before = (recorded / "reports" / "locate-1.png").read_bytes()
    assert "already" in refused(recorded, "locate", recorded, "--out", recorded / "reports" / "locate-1.png")
    assert "ending" in refused(recorded, "locate", recorded, "--out", tmp_path / "map.txt")
    assert (recorded / "reports" / "locate-1.png").read_bytes() == before

    *_, said = located(wrong)
    assert "What explains them best is the camera mount off by about" in said
    assert f"swardwright calibrate mount {wrong}" in said
    status = json.loads(call("status", wrong, "--json").stdout)
    assert status["next"] == "calibrate mount"
    assert "camera mount" in status["doubt"]
    planned = call("plan", wrong)
    assert planned.exit_code == 0, planned.stderr
    assert planned.stdout.startswith("DOUBTFUL, do not heat on it: The pictures contradict")
