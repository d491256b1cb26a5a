#!/bin/sh
# Names of the plans or checklists that come with the program, one a line.
for file in /opt/burnin/burnin/plan/"$1"/*.toml; do basename "$file" .toml; done
