#!/bin/sh
# Start a Debian's own systemd in namespaces of its own: container.sh ROOT FOLDER. ROOT is only read;
# what is written goes to FOLDER. Returns when that systemd switches off.
set -eu
root=$1
folder=$2
if [ "${3:-}" != inside ]; then
    exec unshare --mount --pid --uts --ipc --cgroup --net --fork --kill-child "$0" "$root" "$folder" inside
fi

top=$folder/top
rm -rf "$folder/upper" "$folder/work"
mkdir -p "$top" "$folder/upper" "$folder/work"
mount --make-rprivate /
mount -t overlay overlay -o "lowerdir=$root,upperdir=$folder/upper,workdir=$folder/work" "$top"
mount -t proc proc "$top/proc"
mount -t sysfs sysfs "$top/sys"
mount -t cgroup2 cgroup2 "$top/sys/fs/cgroup"
mount -t tmpfs -o mode=755 tmpfs "$top/run"
mount -t tmpfs -o mode=755 tmpfs "$top/dev"
for name in null zero full random urandom tty; do
    touch "$top/dev/$name"
    mount --bind "/dev/$name" "$top/dev/$name"
done
mkdir "$top/dev/pts" "$top/dev/shm"
mount -t devpts -o newinstance,ptmxmode=0666,mode=620 devpts "$top/dev/pts"
mount -t tmpfs tmpfs "$top/dev/shm"
ln -s pts/ptmx "$top/dev/ptmx"
ln -s /proc/self/fd "$top/dev/fd"
: >"$folder/console.txt"
: >"$folder/guest.txt"
for pair in console:console.txt ttyS1:guest.txt; do
    touch "$top/dev/${pair%:*}"
    mount --bind "$folder/${pair#*:}" "$top/dev/${pair%:*}"
done
ip link set lo up
cd "$top"
mkdir -p old
pivot_root . old
umount -l /old
mount --make-rshared / # as a booting systemd does it, else credentials stay behind
exec env -i container=other PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd \
    --log-target=console --show-status=no
