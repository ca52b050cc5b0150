"""Chains on other machines: as numbers for the C library, run there, and as files for a small device."""
