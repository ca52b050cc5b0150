"""One quantity a module: from a signal to readings."""
