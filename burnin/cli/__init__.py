"""The command line: the only composition root and the only place that prints."""
