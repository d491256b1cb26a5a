#!/bin/sh
# Start screen of the bench stick: closes runs that were cut off, then asks for order, checklist and plan, and runs.
# With bench.plan=NAME on the kernel's command line it runs that plan once without asking.
export PATH=/usr/local/bin:/usr/local/sbin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8
data=/data
runs=$data/runs

word() { sed -n "s/.*bench\.$1=\([^ ]*\).*/\1/p" /proc/cmdline; }

mount_data() {
  mkdir -p $data
  mountpoint -q $data && return 0
  for try in 1 2 3 4 5 6 7 8 9 10; do
    mount -L BENCHDATA -o noatime,nodev,nosuid,noexec $data 2>/dev/null && break
    sleep 1
  done
  mountpoint -q $data && mkdir -p $runs $data/orders $data/plans $data/checklists
}

choose() { # heading, folder, names that come with the program: prints the choice, empty for none
  printf '\n%s\n' "$1" >&2
  number=0
  list=$(for file in "$2"/*.toml; do [ -f "$file" ] && echo "$file"; done; for name in $3; do echo "$name"; done)
  for entry in $list; do number=$((number + 1)); printf '  %d  %s\n' $number "$(basename "$entry" .toml)" >&2; done
  printf '  number, or Enter for none: ' >&2
  read -r answer
  [ -n "$answer" ] && echo "$list" | sed -n "${answer}p" 2>/dev/null
}

run_plan() { # plan, checklist, order
  set -- "$1" "${2:+--checklist}" "$2" "${3:+--order}" "$3"
  command="burnin accept --plan $1 $2 $3 $4 $5 --out $runs $ask"
  [ -f $data/workshop.toml ] && command="$command --workshop $data/workshop.toml"
  $command
  code=$?
  sync
  return $code
}

if ! mount_data; then
  echo "No data partition (label BENCHDATA) was found: nothing can be kept, so no run is started."
  echo "Take the stick out, put it in again and restart."
  read -r _
  exit 1
fi

echo "Runs that were cut off:"
burnin recover --out $runs

plan=$(word plan)
if [ -n "$plan" ] && [ ! -e $data/.ran-unattended ]; then
  [ -f "$data/plans/$plan.toml" ] && plan="$data/plans/$plan.toml"
  touch $data/.ran-unattended
  ask=--yes
  run_plan "$plan" "" ""
  echo "bench-stick: ended with $?"
  sync
  [ "$(word then)" = off ] && umount $data && systemctl poweroff
fi

ask=
while :; do
  echo
  echo "Bench stick. The machine's own drives are not written to, unless a plan loads storage."
  order=$(choose "Order sheet (orders/ on the stick)" $data/orders "")
  checklist=$(choose "Checklist" $data/checklists "$(burnin-names checklists)")
  plan=$(choose "Plan" $data/plans "$(burnin-names plans)")
  [ -z "$plan" ] && { echo "No plan chosen."; continue; }
  run_plan "$plan" "$checklist" "$order"
  echo "Certificates are in runs/ on the stick's data partition. Enter for another run, 'off' to switch off: "
  read -r answer
  [ "$answer" = off ] && umount $data && systemctl poweroff
done
