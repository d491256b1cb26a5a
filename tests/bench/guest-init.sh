#!/bin/sh
# First process of the bench machine: mounts, drivers in a fixed order, then a command shell on the second serial port.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8
mount -t proc proc /proc
mount -t sysfs sys /sys
mkdir -p /dev/pts /dev/shm
mount -t devpts devpts /dev/pts
mount -t tmpfs tmpfs /dev/shm
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /tmp
mount -t pstore pstore /sys/fs/pstore 2>/dev/null
hostname bench
word() { sed -n "s/.*bench\.$1=\([^ ]*\).*/\1/p" /proc/cmdline; }
for module in $(word modules | tr , ' '); do modprobe "$module" 2>/dev/null; done
mount -t squashfs -o ro /dev/vdb /opt/burnin
[ -b /dev/vdc ] && mount -t ext4 -o "$(word data)" /dev/vdc /data
mount -t 9p -o trans=virtio,version=9p2000.L share /share
for command in burnin; do
  printf '#!/bin/sh\nexport PYTHONPATH=/opt/burnin PYTHONDONTWRITEBYTECODE=1\nexec python3 -m %s "$@"\n' $command > /run/$command
  chmod 755 /run/$command
done
export PATH=/run:$PATH
stty -F /dev/ttyS1 raw -echo -icanon min 1 115200
while :; do setsid guest-shell < /dev/ttyS1 > /dev/ttyS1 2>/dev/null; done
