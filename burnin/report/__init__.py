"""From a run to words and pictures; decides nothing."""
