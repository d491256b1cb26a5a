-- Version 2. Words looked up by their beginning; letter case and accents are taken off before they get here.
-- needs: fts5
CREATE VIRTUAL TABLE run_words USING fts5(words, content='runs', content_rowid='number', tokenize='unicode61 remove_diacritics 0', prefix='2 3');
CREATE TRIGGER runs_words_new AFTER INSERT ON runs BEGIN INSERT INTO run_words(rowid, words) VALUES (new.number, new.words); END;
CREATE TRIGGER runs_words_gone AFTER DELETE ON runs BEGIN INSERT INTO run_words(run_words, rowid, words) VALUES ('delete', old.number, old.words); END;
CREATE TRIGGER runs_words_changed AFTER UPDATE OF words ON runs BEGIN INSERT INTO run_words(run_words, rowid, words) VALUES ('delete', old.number, old.words); INSERT INTO run_words(rowid, words) VALUES (new.number, new.words); END;
