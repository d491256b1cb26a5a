-- Version 2. Words looked up by their beginning; letter case and accents are taken off before they get here.
CREATE INDEX runs_words ON runs USING gin (to_tsvector('simple', words));
