#!/bin/bash
# Runs a command in a user-mode Linux kernel (Debian's user-mode-linux) that has the real SocketCAN stack: vcan, vxcan,
# slcan and can-dev. No controller on a PCI bus (controllers.sh has those), but Python at nearly the host's own speed.
#
#   socketcan.sh [--mem MB] [--timeout S] [--] COMMAND...
set -euo pipefail
QEMU_DIR=${QEMU_DIR:-${TMPDIR:-/tmp}/busdoc-emulated}; SHARE=${SHARE:-$QEMU_DIR/share_uml}; MEM=3072; TIMEOUT=900
while [ $# -gt 0 ]; do case $1 in --mem) MEM=$2; shift 2;; --timeout) TIMEOUT=$2; shift 2;; --) shift; break;; *) break;; esac; done
mkdir -p "$QEMU_DIR/um" "$SHARE"; cd "$QEMU_DIR/um"
if ! { command -v depmod && command -v candump; } >/dev/null; then
  apt-get update -qq; DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends kmod can-utils iproute2 >/dev/null
fi
# the kernel as it is installed, else from Debian's package, unpacked here
UML=/usr/bin/linux.uml; MODS=/usr/lib/uml/modules
if [ ! -x $UML ]; then
  if [ ! -x x/usr/bin/linux.uml ]; then apt-get download -qq user-mode-linux; dpkg-deb -x user-mode-linux_*.deb x; fi
  UML=x/usr/bin/linux.uml; MODS=$QEMU_DIR/um/x/usr/lib/uml/modules
fi
KV=$(ls "$MODS")
cat > "$SHARE/.init" <<INIT
#!/bin/bash
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root TERM=dumb LANG=C.UTF-8 PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1
mount -t proc proc /proc; mount -t sysfs sys /sys
insmod $MODS/$KV/kernel/fs/overlayfs/overlay.ko 2>/dev/null
mount -t tmpfs -o size=75% tmpfs /mnt; mkdir -p /mnt/up /mnt/work /mnt/new
mount -t overlay -o lowerdir=/,upperdir=/mnt/up,workdir=/mnt/work overlay /mnt/new || echo NO OVERLAY
cd /mnt/new; mkdir -p proc sys dev run tmp mnt
mount -t proc proc proc; mount -t sysfs sys sys; mount -t devtmpfs dev dev || mount -t tmpfs dev dev
mkdir -p dev/pts dev/shm; mount -t devpts devpts dev/pts; mount -t tmpfs shm dev/shm; mount -t tmpfs run run; mount -t tmpfs mnt mnt
mkdir -p mnt/share; mount -t hostfs -o $SHARE none mnt/share
[ -e dev/fd ] || ln -s /proc/self/fd dev/fd; ln -sf /proc/self/fd/0 dev/stdin; ln -sf /proc/self/fd/1 dev/stdout; ln -sf /proc/self/fd/2 dev/stderr
exec chroot . /bin/bash /mnt/share/.guest
INIT
chmod +x "$SHARE/.init"
cat > "$SHARE/.guest" <<GUEST
export QEMU_DIR=$QEMU_DIR
rm -rf /lib/modules; mkdir -p /lib/modules/$KV; mkdir -p /lib/modules; ln -s $MODS/$KV/kernel /lib/modules/$KV/kernel; cp $MODS/$KV/modules.builtin $MODS/$KV/modules.order /lib/modules/$KV/ 2>/dev/null; depmod $KV
hostname uml; ip link set lo up
for m in can can-raw can-dev vcan; do modprobe \$m || echo "modprobe \$m failed"; done
cut -d' ' -f1 /proc/uptime > /mnt/share/.booted
cd /mnt/share
setsid /bin/bash /mnt/share/.command </dev/null > /dev/ttyS0 2>&1
echo \$? > /mnt/share/.status
sync; echo o > /proc/sysrq-trigger; sleep 20
GUEST
[ $# -gt 0 ] || { echo "no command" >&2; exit 2; }
rm -f "$SHARE/.status" "$SHARE/.booted"
if [ $# -eq 1 ]; then printf '%s\n' "$1"; else printf '%q ' "$@"; fi > "$SHARE/.command"
timeout "$TIMEOUT" "$UML" mem="${MEM}M" rootfstype=hostfs rootflags=/ ro init="$SHARE/.init" quiet \
  con=null con0=null,fd:2 ssl=null ssl0=null,fd:1 2> "$SHARE/console.log" </dev/null || true
if [ ! -s "$SHARE/.status" ]; then echo "socketcan.sh: no exit status; see $SHARE/console.log" >&2; tail -5 "$SHARE/console.log" >&2; exit 125; fi
exit "$(cat "$SHARE/.status")"
