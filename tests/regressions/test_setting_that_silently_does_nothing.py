"""`--set hall.decay_seconds=1.2` on a preset with a table of decays changed no sample, yet was printed and
saved.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapeemu import FdnReverb
from tapeemu.presets import load_preset

Run = Callable[..., str]


def test_a_decay_beside_a_table_scales_the_room(run: Run, own: Path) -> None:
    """It is heard, and what is saved says the same again."""
    run("new", "shorter", "--from", "hall-into-drive", "--set", "hall.decay_seconds=1.2")
    before, after = (load_preset(name).chain.stages[0].processor for name in ("hall-into-drive", "shorter"))
    assert isinstance(before, FdnReverb)
    assert isinstance(after, FdnReverb)
    assert after.target_decay_seconds()[4] == pytest.approx(1.2, rel=1e-12)
    np.testing.assert_allclose(after.target_decay_seconds() / before.target_decay_seconds(), 1.2 / 3.0, rtol=1e-12)
    impulse = np.zeros(24_000)
    impulse[0] = 1.0
    assert not np.array_equal(before(impulse, sample_rate=48_000), after(impulse, sample_rate=48_000))


def test_none_leaves_a_setting_out_in_any_order_of_changes(run: Run, own: Path) -> None:
    """A ratio is refused beside the table, and taken once the table is left out, whichever is said first."""
    clear, ratio = "hall.decay_by_band_seconds=none", "hall.low_decay_ratio=1.4"
    text = run("new", "x", "--from", "hall-into-drive", "--set", ratio, status=2)
    assert "low_decay_ratio is 1.4, but decay_by_band_seconds sets the decay of every band" in text
    for number, changes in enumerate(((clear, ratio), (ratio, clear))):
        options = [part for change in changes for part in ("--set", change)]
        run("new", f"x-{number}", "--from", "hall-into-drive", *options)
        hall = load_preset(f"x-{number}").chain.stages[0].processor
        assert isinstance(hall, FdnReverb)
        assert hall.decay_by_band_seconds is None
        assert hall.target_decay_seconds()[1] / hall.target_decay_seconds()[4] == pytest.approx(1.4)
        assert "decay_by_band" not in (own / f"x-{number}.toml").read_text("utf-8").split("[measured]")[0]


def test_what_would_change_nothing_is_refused_with_its_reason(run: Run, own: Path) -> None:
    for change, reason in (
        ("level.dropout_most_db=30", "dropouts_per_minute is 0"),
        ("hall.bypass=true hall.wet_percent=20", "hall is bypassed"),
        ("hall.mix_percent=0 hall.wet_percent=20", "hall.mix_percent is 0"),
        ("hall.wet_percent=0 hall.decay_seconds=2", "wet_percent is 0"),
        ("drive.thd_percent=none drive.reference_level_dbfs=-20", "neither thd_percent nor level_matched is set"),
    ):
        options = [part for each in change.split() for part in ("--set", each)]
        text = run("new", "x", "--from", "hall-into-drive", *options, status=2)
        assert "would change nothing" in text
        assert reason in text
    text = run(
        "new", "x", "--stage", "amplitude_flutter random_db=0 random_low_hz=1 dropouts_per_minute=9", status=2
    )
    assert "random_low_hz would be without effect: random_db is 0" in text


def test_what_a_file_holds_without_effect_is_told(run: Run, own: Path, tmp_path: Path) -> None:
    path = tmp_path / "still.toml"
    path.write_text(
        'format = 1\npurpose = "Still."\n[[stages]]\nname = "level"\nkind = "amplitude_flutter"\nrandom_db = 0.0\n'
        "random_low_hz = 1.0\ndropouts_per_minute = 9.0\n",
        "utf-8",
    )
    assert "level.random_low_hz is without effect: random_db is 0" in run("show", path)
    assert "level.random_low_hz is without effect: random_db is 0" in run("new", "copy", "--from", path)
