"""The only door to the machine: files, clocks, commands and the libraries that read sensors."""
