"""The suite in a host: every processor as a plug-in, and one that holds a whole chain."""
