"""Compiled loops.

Kernels are written in a numeric subset: scalars and preallocated arrays, explicit state, no allocation,
no objects, no closures, no exceptions. They can be translated to C as they stand. A kernel may call those
of other files, imported by name (``from tapeemu.dsp.kernels.x import f``) and without circles: that is how the
on-disk cache sees that it is stale.
"""
