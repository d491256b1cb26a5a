#!/bin/sh
# Takes one command a line (number, blank, base64) and answers with its number, exit code and output (base64).
cd /root || cd /
echo "ready $(cat /proc/sys/kernel/random/boot_id)"
while read -r number text; do
  printf %s "$text" | base64 -d > /run/command
  sh /run/command > /run/answer 2>&1 < /dev/null
  code=$?
  printf 'answer %s %s %s\n' "$number" "$code" "$(base64 -w0 < /run/answer)"
done
