"""Kernels in C: the same loops for hosts, browsers and devices, generated from their Python source."""
