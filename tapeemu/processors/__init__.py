"""One module per artefact, named after it. They never import one another."""
