"""Compiled loops.

Kernels are written in a numeric subset: scalars and preallocated arrays, explicit state, no allocation,
no objects, no closures, no exceptions. They can be translated to C as they stand. Everything that a
kernel calls lives in the kernel's own file, because the on-disk cache looks at that file alone to see
whether it is stale.
"""
