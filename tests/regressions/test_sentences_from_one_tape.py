"""Sentences about decay came from one tape, and changed sign with its seed."""

import numpy as np

from measure.results import Reading
from tapeemu.comparison.sentences import differing


def reading(value: float, uncertainty: float = 0.0) -> Reading:
    return Reading(quantity="q", value=value, unit="u", method="m", uncertainty=uncertainty)


def trial(random: np.random.Generator, effect: float, repeats: int) -> list[str]:
    """One comparison of decays whose truth is known: noise of 8 % that both share, of 4 % that they do not."""
    shared = random.normal(0.0, 0.08, repeats)
    one, two = (2.0 * (1.0 + shared + random.normal(own, 0.04, repeats)) for own in (0.0, effect))
    figures = [{"edt_reference_seconds": reading(float(np.mean(values)))} for values in (one, two)]
    return differing(
        figures[1], {"edt_reference_seconds": tuple(two)}, figures[0], {"edt_reference_seconds": tuple(one)}
    )


def test_random_figures_make_a_sentence_only_where_the_repeats_support_it() -> None:
    """Decays by construction, 400 comparisons each: none contradicts the truth, few claim what is not there."""
    random = np.random.default_rng(9)
    for effect, repeats in ((0.0, 6), (0.0, 24), (0.25, 24)):
        said = [trial(random, effect, repeats) for _ in range(400)]
        later = sum("later" in each[0] for each in said if each)
        sooner = sum("sooner" in each[0] for each in said if each)
        if effect:
            assert (later, sooner) == (400, 0)
        else:
            assert later + sooner <= 10  # 1 % of 400, and six for chance (Poisson, under 0.3 %)
