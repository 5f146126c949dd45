"""The error budget: it adds up, and each part is what sampling that source alone gives."""

import dataclasses

import cv2
import numpy as np
import pytest

from tests.synthetic import SIZE, camera, draw
from vision.budget import SENSOR_RAD, SOURCE_OF_ROW, Source, error_budget
from vision.model import COUNT, NAMES, ends_in_view, observe, residuals
from vision.placement import QUANTITIES, place
from vision.pose import solve_pose
from vision.rods import End, Rod, Rods
from vision.setup import Handed, Lens, Setup, Tilt, View

VIEWS = list(View)
LINE_PX, END_PX = 0.3, 1.5
SIGMA = {  # of each parameter with a prior, as the solver is told or assumes
    "pitch_rad": np.deg2rad(0.5),
    "roll_rad": np.deg2rad(0.5),
    "log_focal": 0.01,
    "log_length_1": 0.01,
    "log_length_2": 0.01,
}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("handed", list(Handed))
@pytest.mark.parametrize(("tilt", "focal"), [(0.5, True), (1.0, False), (None, False)])
def test_the_parts_add_up_to_the_placements_own_variance(view, handed, tilt, focal):
    rng = np.random.default_rng(1)
    for _ in range(5):
        case = draw(rng, view, handed=handed, know_tilt=tilt, know_focal=focal)
        pose = solve_pose(case.rods, SIZE, case.setup)
        placement, layout = place(pose, case.setup)
        budget = error_budget(pose, case.setup)
        assert budget.misfit == max(1.0, pose.misfit)
        assert (budget.variance >= 0).all()
        for name in QUANTITIES:
            assert budget.sigma(name) == pytest.approx(placement.sigma(name), rel=1e-6)
            parts = [budget.sigma(name, source) ** 2 for source in Source]
            assert sum(parts) == pytest.approx(placement.sigma(name) ** 2, rel=1e-6)
        assert budget.sigma("angle_rad") == pytest.approx(layout.sigma_rad, rel=1e-6)
        if view is View.FACE_ON:
            square = budget.sigma("square_offset_m")
            assert square == pytest.approx(layout.square_offset_sigma_m, rel=1e-6)
        else:
            assert "square_offset_m" not in budget.quantities


def test_a_source_for_every_row():
    case = draw(np.random.default_rng(2), View.FACE_ON)
    view = observe(case.rods.both, SIZE, case.setup)
    assert len(SOURCE_OF_ROW) == len(residuals(view, view.prior_mean))


@dataclasses.dataclass
class Known:
    """A view whose truth sits at the middle of every prior, so that errors are only those made."""

    setup: Setup
    params: np.ndarray

    @classmethod
    def of(cls, view):
        params = np.zeros(COUNT)
        params[:7] = 0.15, -3.2, np.log(1.1), -0.04, np.deg2rad(-12), 0.01, np.log(1050.0)
        params[7:9] = 639.5, 359.5
        params[10:12] = np.log(1.22)
        if view is View.DOWN_THE_LINE:
            params[13] = 0.54
        setup = Setup(
            view=view,
            rod_lengths_m=dict.fromkeys(Setup(view=view).roles, 1.22),
            lens=Lens(1050.0, 1050.0 * SIGMA["log_focal"]),
            tilt=Tilt(params[4], params[5], SIGMA["pitch_rad"]),
        )
        return cls(setup, params)

    def rods(self, params, noise=None):
        """What the camera of `params` sees, by OpenCV, with pixel errors of `noise`."""
        ends = ends_in_view(observe(_any_rods(self.setup).both, SIZE, self.setup), params)
        centre = np.array([params[0], params[1], np.exp(params[2])])
        rvec, tvec = camera(*params[3:6], centre)
        focal = np.exp(params[6])
        matrix = np.array([[focal, 0, params[7]], [0, focal, params[8]], [0, 0, 1]])
        bent = np.array([params[9], 0, 0, 0])
        seen = cv2.projectPoints(ends.reshape(-1, 1, 3), rvec, tvec, matrix, bent)[0]
        return _rods(self.setup, seen.reshape(2, 2, 2), noise)

    def sigma(self, name):
        if name in SIGMA:
            return SIGMA[name]
        prior = observe(_any_rods(self.setup).both, SIZE, self.setup).prior_sigma
        return prior[NAMES.index(name)]

    def draw(self, rng, source, scale):
        """(setup, rods, true parameters) with `scale` times the errors of one source only."""
        if source is Source.PIXELS:
            return self.setup, self.rods(self.params, rng), self.params
        params, setup = self.params.copy(), self.setup
        for row, kind in enumerate(SOURCE_OF_ROW[8:]):
            name = NAMES[row]
            sigma = self.sigma(name)
            if kind is source and np.isfinite(sigma):
                # The truth moves and the prior stays where it is.
                params[row] += scale * rng.normal(0, sigma)
        return setup, self.rods(params), params


def _any_rods(setup):
    ends = np.array([[[300.0, 300], [900, 300]], [[600, 300], [600, 600]]])
    return _rods(setup, ends, None)


def _rods(setup, ends_px, rng):
    rods = []
    for role, ends in zip(setup.roles, ends_px, strict=True):
        span = ends[1] - ends[0]
        along = span / np.linalg.norm(span)
        moved = ends.copy()
        if rng is not None:
            # Independent errors at the points length/sqrt(12) off the middle, as `Rod` says.
            a, b = rng.normal(0, LINE_PX, 2)
            middle, tilt = (a + b) / 2, (b - a) / 2 * np.sqrt(3)
            across = np.array([-along[1], along[0]])
            moved += across * np.array([[middle - tilt], [middle + tilt]])
            moved += along * rng.normal(0, END_PX, (2, 1))
        rods.append(Rod(role, moved, (End.SEEN, End.SEEN), LINE_PX, (END_PX, END_PX), 3.0, 3.0))
    return Rods(rods[0], rods[1], 5.0, -20.0)


def _errors(known, rng, source, count):
    # Lenses stand at half to one and a half times the usual height: far from linear.
    scale = 0.1 if source is Source.OTHER else 1.0
    out = []
    for _ in range(count):
        setup, rods, true = known.draw(rng, source, scale)
        pose = solve_pose(rods, SIZE, setup)
        found, _ = place(pose, setup)
        wanted, _ = place(dataclasses.replace(pose, params=true), setup)
        out.append([getattr(found, n) - getattr(wanted, n) for n in QUANTITIES])
    return np.array(out) / scale


@pytest.mark.parametrize("view", VIEWS)
def test_each_part_is_the_spread_that_its_source_alone_makes(view):
    """Sampling as the reference: JCGM 101:2008 (propagation by a Monte Carlo method)."""
    known = Known.of(view)
    budget = error_budget(solve_pose(known.rods(known.params), SIZE, known.setup), known.setup)
    assert budget.misfit == 1.0
    rng = np.random.default_rng(7)
    count = 100
    for source in Source:
        spread = np.sqrt((_errors(known, rng, source, count) ** 2).mean(axis=0))
        for name, sampled in zip(QUANTITIES, spread, strict=True):
            told, total = budget.sigma(name, source), budget.sigma(name)
            # 100 draws know a spread to 7 %; parts that do not count need not be right.
            assert abs(sampled - told) < 0.2 * told + 0.08 * total, (source, name, sampled, told)


def _steps(setup, view=View.DOWN_THE_LINE):
    known = Known.of(view)
    setup = dataclasses.replace(known.setup, **setup)
    pose = solve_pose(known.rods(known.params), SIZE, setup)
    return error_budget(pose, setup), pose, setup


def test_without_a_sensor_a_pair_is_first_told_to_allow_it():
    budget, _, setup = _steps({"tilt": None})
    assert budget.steps[0].how == "tilt-sensor"
    # What it promises is what the sensor then brings.
    known = Known.of(View.DOWN_THE_LINE)
    with_sensor = dataclasses.replace(
        setup, tilt=Tilt(known.params[4], known.params[5], SENSOR_RAD)
    )
    better, _ = place(solve_pose(known.rods(known.params), SIZE, with_sensor), with_sensor)
    for name in ("offset_m", "yaw_rad", "roll_rad"):
        assert budget.steps[0].sigma[name] == pytest.approx(better.sigma(name), rel=0.05)
        assert budget.steps[0].sigma[name] < budget.sigma(name)


@pytest.mark.parametrize(
    ("unknown", "kind"),
    [({"lens": None}, "lens"), ({"rod_lengths_m": {}}, "rods"), ({"tilt": None}, "tilt-sensor")],
)
def test_what_is_not_stated_is_asked_for_and_what_is_stated_is_not(unknown, kind):
    view = View.FACE_ON
    assert kind not in {step.how for step in _steps({}, view)[0].steps}
    assert kind in {step.how for step in _steps(unknown, view)[0].steps}


def test_steps_come_best_first_and_none_is_idle():
    for seed in range(10):
        case = draw(np.random.default_rng(seed), VIEWS[seed % 2], know_tilt=None, know_focal=False)
        budget = error_budget(solve_pose(case.rods, SIZE, case.setup), case.setup)
        shares = [step.share for step in budget.steps]
        assert shares == sorted(shares)
        for step in budget.steps:
            assert step.share < 1
            gains = [step.sigma[n] / budget.sigma(n) for n in ("offset_m", "yaw_rad", "roll_rad")]
            assert min(gains) < 0.9


def test_doubt_about_a_covered_end_counts_as_pixels():
    rng = np.random.default_rng(61)
    case = draw(rng, View.FACE_ON)
    pose = solve_pose(case.rods, SIZE, case.setup)
    doubt = np.zeros(COUNT)
    doubt[0] = 0.05  # metres to the side, if another end were the covered one
    wider = dataclasses.replace(pose, cov=pose.cov + np.outer(doubt, doubt))
    budget, plain = error_budget(wider, case.setup), error_budget(pose, case.setup)
    assert budget.sigma("offset_m") == pytest.approx(place(wider, case.setup)[0].sigma("offset_m"))
    assert budget.sigma("offset_m", Source.PIXELS) > plain.sigma("offset_m", Source.PIXELS) + 0.03
    assert budget.sigma("offset_m", Source.TILT) == plain.sigma("offset_m", Source.TILT)
