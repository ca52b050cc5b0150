"""The desk: a chain tuned by ear while stems loop, in the browser."""
