"""Decay of a reverberant system: EDT, T20, T30, a maximum-likelihood fit, echo density and colouration.

Bands are cut out of the spectrum with Tukey-shaped edges and brought down to a complex envelope. Such a
filter has no phase and so no decay of its own worth the name, where a recursive octave filter rings
longer than a short reverberation. What can bias a decay in it is its smear of about one over the
bandwidth, to either side; the condition B T > 4 of ISO 3382 for filters without phase is enforced.

The envelope power of a diffuse decay is, at every instant, exponentially distributed about its mean
``sum_i A_i exp(-k_i t) + N``; the fit maximises the likelihood of just that, so noise is part of the
model and no point at which to cut the response needs to be chosen.
"""

from measure.quantities.decay.bands import BandDecay, Decay
from measure.quantities.decay.density import EchoDensity, echo_density
from measure.quantities.decay.evenness import Colouration, colouration
from measure.quantities.decay.impulse import decay, decay_from_impulse, decay_from_sweep
from measure.quantities.decay.interrupted import decay_from_noise, decay_of_noise

__all__ = [
    "BandDecay",
    "Colouration",
    "Decay",
    "EchoDensity",
    "colouration",
    "decay",
    "decay_from_impulse",
    "decay_from_noise",
    "decay_from_sweep",
    "decay_of_noise",
    "echo_density",
]
