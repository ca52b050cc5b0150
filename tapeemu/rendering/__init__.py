"""Sound files through chains, one or many."""
