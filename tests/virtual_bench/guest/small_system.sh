#!/bin/sh
# A board with next to nothing, inside the virtual board: dropbear instead of OpenSSH, busybox instead of everything
# else, a banner, a root that cannot be written, no /dev/shm, and Python where no PATH leads. It lives in a mount
# namespace of its own and is gone when this script is ended.
#
# small_system.sh TMP_SIZE PYTHON GROUPS      PYTHON: a path inside, or "none"; GROUPS: of the user bench, or "none"
set -e
size=$1 python=$2 groups=$3
root=/run/small

if [ "$4" != inside ]; then
    mkdir -p $root
    exec unshare -m sh "$0" "$size" "$python" "$groups" inside
fi

mount --make-rprivate /
mount -t tmpfs -o size=16m,mode=755 small $root
cd $root
mkdir -p bin opt/python/bin usr/lib lib etc dev proc sys tmp run home/bench/.ssh root
cp /bin/busybox bin/
chroot . /bin/busybox --install -s /bin
[ "$python" = none ] || cp /usr/bin/python3.11 ".$python"
for place in lib usr/lib dev sys; do
    mount --bind /$place $place
done
[ -d /lib64 ] && mkdir lib64 && mount --bind /lib64 lib64
mount -t proc proc proc
mount -t tmpfs -o "size=$size,mode=1777" tmp tmp
cp /usr/sbin/dropbear bin/
cp /etc/ssh/authorized_keys home/bench/.ssh/
chmod 700 home/bench/.ssh
chown -R 1000:1000 home/bench
echo 'root:x:0:0:root:/root:/bin/ash
bench:x:1000:1000::/home/bench:/bin/ash' > etc/passwd
echo 'root:*:19000::::::
bench:*:19000::::::' > etc/shadow
echo 'bench:x:1000:' > etc/group
[ "$groups" = none ] || grep "^gpio:" /etc/group >> etc/group
echo /bin/ash > etc/shells
echo 'Line 4, filler. Authorised staff only.' > etc/banner
echo 'echo "Last maintenance: never"' > etc/profile
dropbearkey -t ed25519 -f etc/key > /dev/null
dropbearkey -y -f etc/key | grep '^ssh-ed25519'
mount -o remount,ro $root
echo ready
exec chroot . /bin/dropbear -F -E -r /etc/key -b /etc/banner -s -p 127.0.0.1:2222
