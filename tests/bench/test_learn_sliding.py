"""What the networks that slide over pixels learn, how they are written, and from what."""

import json
from pathlib import Path

import numpy as np
import pytest

from tests.bench import learn_sliding
from tests.bench.bands import bands
from tests.bench.closer import windows
from tests.bench.endings import endings
from tests.bench.learn_sliding import (
    ending_shares,
    learn_axis,
    learn_ending,
    learn_rod,
    log_shares,
    rod_odds,
)
from tests.bench.scenes import LAID
from tests.bench.train import written_ending, written_sliding
from tests.scenes import FOLDER
from vision import ends
from vision.across import CONTEXT, HALF, INPUTS, PATCH, paired


def profiled(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Windows (count, ...) with a thin light axis and a wide dark thing on either side of it."""
    rng = np.random.default_rng(seed)
    axis = rng.uniform(-10.0, 10.0, count)
    side = rng.choice([-1.0, 1.0], count)
    columns = np.arange(-HALF - PATCH, HALF + PATCH + 1)
    off = columns - axis[:, None]
    profiles = rng.normal(0, 0.2, (count, len(columns), 4)).astype(np.float32)
    profiles[..., 0] += 2.0 * np.exp(-0.5 * off**2) - 3.0 * (
        np.abs(off * side[:, None] - 4.0) < 2.5
    )
    return profiles, np.zeros((count, CONTEXT), np.float32), axis


def test_a_sliding_network_learns_which_of_two_things_is_the_axis(monkeypatch):
    monkeypatch.setattr(learn_sliding, "EPOCHS", 4)
    profiles, context, axis = profiled(1, 4000)
    net = learn_axis(profiles, context, axis, np.ones(4000))
    others, context, truth = profiled(2, 500)
    answer = log_shares(net, others, context)
    np.testing.assert_allclose(np.exp(answer).sum(axis=1), 1.0, atol=1e-5)
    assert (np.abs(answer.argmax(axis=1) - HALF - truth) < 1.0).mean() > 0.95


def three_units(rng: np.random.Generator) -> list[np.ndarray]:
    return [rng.normal(0, 0.3, shape) for shape in ((INPUTS, 3), (3,), (3,))]


def are_differences(slopes, unlikely, weights):
    """Whether slopes are what `unlikely` differs by at some of the weights."""
    for k, place in ((0, (5, 1)), (0, (INPUTS - 5, 0)), (0, (INPUTS - 1, 2)), (1, (1,)), (2, (2,))):
        ahead, behind = ([part.copy() for part in weights] for _ in range(2))
        ahead[k][place] += 1e-4
        behind[k][place] -= 1e-4
        slope = (unlikely(ahead) - unlikely(behind)) / 2e-4
        assert slopes[k][place] == pytest.approx(slope, rel=0.02, abs=2e-4)


def test_the_slopes_of_the_sliding_network_are_its_differences():
    profiles, context, axis = profiled(3, 20)
    rng = np.random.default_rng(4)
    weights = three_units(rng)
    counts = rng.uniform(0.5, 2.0, 20)

    def unlikely(parts):
        answer = log_shares(paired(*parts), profiles, context)
        low, row = np.floor(axis).astype(int), np.arange(20)
        share = axis - low
        own = (1 - share) * answer[row, low + HALF] + share * answer[row, low + HALF + 1]
        return -(counts * own).mean()

    slopes = learn_sliding._sliding_slopes(paired(*weights), profiles, context, axis, counts)
    are_differences(slopes, unlikely, weights)


def test_a_sliding_network_is_written_as_it_was_learnt(monkeypatch):
    monkeypatch.setattr(learn_sliding, "EPOCHS", 1)
    profiles, context, axis = profiled(5, 600)
    net = learn_axis(profiles, context, axis, np.ones(600))
    read: dict = {}
    exec(written_sliding("ACROSS", net, "a test"), read)
    for name in ("inward", "bias", "outward"):
        np.testing.assert_allclose(getattr(read["ACROSS"], name), getattr(net, name), atol=6e-4)


def patched(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Patches (count, ...) of which one in four has a thin light axis in its middle."""
    rng = np.random.default_rng(seed)
    labels = rng.uniform(size=count) < 0.25
    patches = rng.normal(0, 0.5, (count, 2 * PATCH + 1, 4)).astype(np.float32)
    patches[labels, PATCH, 0] += 2.5
    patches[~labels, PATCH + 3, 0] += 2.5  # as light, but beside it
    return patches, np.zeros((count, CONTEXT), np.float32), labels


def test_a_network_learns_whether_a_rod_is_there(monkeypatch):
    monkeypatch.setattr(learn_sliding, "EPOCHS", 4)
    patches, context, labels = patched(1, 6000)
    net = learn_rod(patches, context, labels, np.ones(6000))
    others, context, truth = patched(2, 1000)
    odds = rod_odds(net, others, context)
    assert ((odds > 0) == truth).mean() > 0.97
    mirrored = rod_odds(net, np.ascontiguousarray(others[:, ::-1]), context)
    np.testing.assert_allclose(odds, mirrored, atol=1e-3)
    # Where nothing can be seen, how often there is one is all that is known.
    monkeypatch.setattr(learn_sliding, "EPOCHS", 20)
    blind = learn_rod(patches * 0, context.repeat(6, axis=0), labels, np.ones(6000))
    known = rod_odds(blind, others[:1] * 0, context[:1])[0]
    assert known == pytest.approx(np.log(labels.mean() / (1 - labels.mean())), abs=0.15)


def test_the_slopes_of_the_rods_network_are_its_differences():
    patches, context, labels = patched(3, 20)
    rng = np.random.default_rng(4)
    weights = three_units(rng)
    counts = rng.uniform(0.5, 2.0, 20)

    def unlikely(parts):
        odds = rod_odds(paired(*parts), patches, context)
        return float((counts * np.logaddexp(0, np.where(labels, -odds, odds))).mean())

    slopes = learn_sliding._rod_slopes(paired(*weights), patches, context, labels, counts)
    are_differences(slopes, unlikely, weights)


@pytest.fixture
def one_scene(tmp_path: Path) -> Path:
    """A folder with one path-traced picture of laid rods."""
    entries = json.loads((FOLDER / "truth.json").read_text())
    laid = [entry for entry in entries if entry["layout"] in LAID and entry.get("step", 9) > 1][:1]
    (tmp_path / "truth.json").write_text(json.dumps(laid))
    (tmp_path / laid[0]["file"]).write_bytes((FOLDER / laid[0]["file"]).read_bytes())
    return tmp_path


def test_windows_are_told_apart_by_the_rods_they_lie_on(one_scene):
    patches, context, labels, names = windows(one_scene)
    assert patches.shape == (len(labels), 2 * PATCH + 1, 4)
    assert context.shape == (len(names), CONTEXT)
    assert 0.01 < labels.mean() < 0.3
    # A rod is smoother than the ground beside it, most of all where it is looked for in vain.
    assert patches[labels, PATCH, 3].mean() < patches[~labels, PATCH, 3].mean() - 0.1


def test_bands_over_path_traced_rods_show_them_where_they_are(one_scene):
    """Every other one starts within a few columns of the axis."""
    seen = list(bands(one_scene))
    assert len(seen) >= 8
    for band in seen:
        assert band.profiles.shape[0] == len(band.axis) == len(band.context)
        assert np.nanmax(np.abs(band.axis)) <= HALF - 1.5
    assert np.median([np.nanmedian(np.abs(band.axis)) for band in seen[1::2]]) < 2.0


def around_ends(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What shows around ends (count, ...) where a channel falls; in one of ten it does nowhere."""
    rng = np.random.default_rng(seed)
    steps = rng.uniform(-8.0, 8.0, count)
    steps[rng.uniform(size=count) < 0.1] = np.nan
    at = np.arange(ends.SAMPLES) - ends.REACH - ends.PATCH
    seen = rng.normal(0, 0.15, (count, ends.SAMPLES, ends.CHANNELS)).astype(np.float32)
    seen[..., 0] += np.where(np.isnan(steps)[:, None], 1.0, at < steps[:, None])
    return seen, np.zeros((count, ends.CONTEXT), np.float32), steps


def test_a_network_learns_where_a_rod_ends_and_that_an_end_does_not_show(monkeypatch):
    monkeypatch.setattr(learn_sliding, "ENDING_EPOCHS", 8)
    seen, context, steps = around_ends(1, 4000)
    net = learn_ending(seen, context, steps, np.ones(4000))
    others, context, truth = around_ends(2, 500)
    shares = ending_shares(net, others, context)
    shows = np.isfinite(truth)
    assert ((shares[:, -1] < 0.5) == shows).mean() > 0.95
    places = np.array([ends.place_of(share)[0] for share in shares])
    assert np.median(np.abs(places - truth)[shows]) < 0.5


def test_the_slopes_of_the_ends_network_are_its_differences():
    seen, context, steps = around_ends(3, 20)
    rng = np.random.default_rng(4)
    weights = [rng.normal(0, 0.1, shape) for shape in ((ends.INPUTS, 3), (3,), (3,), (1,))]
    counts = rng.uniform(0.5, 2.0, 20)

    def net_of(parts):
        return ends.Ending(*parts[:3], float(parts[3][0]))

    def unlikely(parts):
        answer = np.log(ending_shares(net_of(parts), seen, context))
        at = np.where(np.isfinite(steps), steps, 0.0) + ends.REACH
        low, row = np.floor(at).astype(int), np.arange(20)
        own = (low + 1 - at) * answer[row, low] + (at - low) * answer[row, low + 1]
        return -(counts * np.where(np.isfinite(steps), own, answer[:, -1])).mean()

    slopes = learn_sliding._ending_slopes(net_of(weights), seen, context, steps, counts)
    are_differences(slopes, unlikely, weights)
    less = [*weights[:3], weights[3] - 1e-4]
    more = [*weights[:3], weights[3] + 1e-4]
    assert slopes[3][0] == pytest.approx((unlikely(more) - unlikely(less)) / 2e-4, rel=0.02)


def test_the_ends_network_is_written_as_it_was_learnt(monkeypatch):
    monkeypatch.setattr(learn_sliding, "ENDING_EPOCHS", 1)
    seen, context, steps = around_ends(5, 600)
    net = learn_ending(seen, context, steps, np.ones(600))
    read: dict = {}
    exec(written_ending(net), read)
    for name in ("inward", "bias", "outward"):
        np.testing.assert_allclose(getattr(read["ENDS"], name), getattr(net, name), atol=6e-4)
    assert read["ENDS"].nowhere == pytest.approx(net.nowhere, abs=1e-4)


def test_endings_of_path_traced_rods_are_near_where_the_rods_end(one_scene):
    seen = list(endings(one_scene))
    assert len(seen) >= 12
    steps = np.array([each.steps for each in seen])
    assert np.nanmax(np.abs(steps)) < ends.REACH
    assert np.nanmedian(np.abs(steps)) < 2.0
    for each in seen:
        assert each.seen.shape == (ends.SAMPLES, ends.CHANNELS)
        # Along the rod its contrast is about its own; the network sees it end.
        assert np.median(each.seen[: ends.RUN, 0]) == pytest.approx(1.0, abs=0.3)
