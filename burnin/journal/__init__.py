"""The one thing written during a run: lines, writer, reader, recovery, seal."""
