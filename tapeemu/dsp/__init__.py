"""Parts that processors are built from; each states its error and its latency."""
