#!/bin/bash
# Runs a command in an emulated machine that has the real Linux SocketCAN stack and real CAN controller drivers.
#
#   controllers.sh [--build] [--smp N] [--mem MB] [--timeout S] [--] COMMAND...
#
# The guest sees the host's / read-only (9p) under a tmpfs overlay, so python, venvs and sources are the host's, at the
# same paths; $SHARE (host: $QEMU_DIR/share, guest: /mnt/share) is writable on both sides. It has can0 and can1, two
# SJA1000 controllers (kvaser_pci) on one emulated bus, can2 and can3 on a second one, and the modules vcan, vxcan,
# slcan, gs_usb to load. The command's output comes out here, and so does its exit status.
set -euo pipefail
QEMU_DIR=${QEMU_DIR:-${TMPDIR:-/tmp}/busdoc-emulated}; SHARE=$QEMU_DIR/share; SMP=2; MEM=3072; TIMEOUT=900; BUILD_ONLY=
while [ $# -gt 0 ]; do case $1 in
  --build) BUILD_ONLY=1; shift;; --smp) SMP=$2; shift 2;; --mem) MEM=$2; shift 2;; --timeout) TIMEOUT=$2; shift 2;;
  --) shift; break;; *) break;; esac; done
mkdir -p "$QEMU_DIR" "$SHARE"; cd "$QEMU_DIR"

# 1. packages: the emulator, what packs an initramfs, the tools that the guest uses from the host's /
if ! { command -v qemu-system-x86_64 && command -v cpio && command -v depmod && command -v candump && [ -x /bin/busybox ]; } >/dev/null; then
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends qemu-system-x86 seabios cpio kmod \
    busybox-static can-utils iproute2 procps >/dev/null
fi

# 2. the kernel, with its modules, from Debian's own package; nothing of it is installed on the host
if ! ls k/lib/modules/*/modules.dep >/dev/null 2>&1; then
  rm -rf k; mkdir -p deb k
  package=$(apt-cache depends linux-image-amd64 | awk '/Depends:/ {print $2; exit}')
  (cd deb && apt-get download -qq "$package")
  dpkg-deb -x deb/"$package"_*.deb k
  depmod -b k "$(ls k/lib/modules)"
fi
KV=$(ls k/lib/modules)

# 3. an initramfs that mounts the host's / over 9p and goes on there
if [ ! -s initrd.gz ] || [ "$0" -nt initrd.gz ]; then
  rm -rf i; mkdir -p i/{bin,proc,sys,dev,lower,rw,new,m}
  cp /bin/busybox i/bin/busybox
  modules=$(for m in virtio_pci 9pnet_virtio 9p overlay; do modprobe -d k -S "$KV" --show-depends $m; done | awk '/^insmod/ {print $2}' | awk '!seen[$0]++')
  : > i/m/order
  for m in $modules; do cp "$m" i/m/; echo "/m/$(basename "$m")" >> i/m/order; done
  cat > i/init <<'INIT'
#!/bin/busybox sh
/bin/busybox mkdir -p /sbin /usr/bin /usr/sbin; /bin/busybox --install -s
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
while read -r m; do insmod "$m" || echo "insmod $m failed"; done < /m/order
mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=1048576 hostroot /lower || { echo NO 9P; poweroff -f; }
mount -t tmpfs -o size=75% tmpfs /rw; mkdir -p /rw/up /rw/work
mount -t overlay -o lowerdir=/lower,upperdir=/rw/up,workdir=/rw/work overlay /new || { echo NO OVERLAY; poweroff -f; }
for d in proc sys dev run tmp; do mkdir -p /new/$d; done
mount -t proc proc /new/proc; mount -t sysfs sys /new/sys; mount -t devtmpfs dev /new/dev
mkdir -p /new/dev/pts /new/dev/shm; mount -t devpts devpts /new/dev/pts; mount -t tmpfs shm /new/dev/shm; mount -t tmpfs run /new/run
ln -sf /proc/self/fd /new/dev/fd 2>/dev/null; ln -sf /proc/self/fd/0 /new/dev/stdin; ln -sf /proc/self/fd/1 /new/dev/stdout; ln -sf /proc/self/fd/2 /new/dev/stderr
mkdir -p /new/mnt/share
mount -t 9p -o trans=virtio,version=9p2000.L,rw,cache=none,msize=1048576 share /new/mnt/share
exec switch_root /new /bin/bash /mnt/share/.guest
INIT
  chmod +x i/init
  (cd i && find . | cpio -o -H newc --quiet | gzip -1) > initrd.gz
fi

# 4. what the guest does
cat > "$SHARE/.guest" <<GUEST
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root TERM=dumb LANG=C.UTF-8 PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1
mkdir -p /lib/modules; rm -f /etc/resolv.conf; mkdir -p /lib/modules/$KV; mount --bind $QEMU_DIR/k/lib/modules/$KV /lib/modules/$KV
hostname guest; ip link set lo up
for m in can can-raw can-dev vcan kvaser_pci; do modprobe \$m || echo "modprobe \$m failed"; done
cut -d' ' -f1 /proc/uptime > /mnt/share/.booted
stty -F /dev/ttyS1 -opost -echo 2>/dev/null
cd /mnt/share
setsid /bin/bash /mnt/share/.command </dev/null >/dev/ttyS1 2>&1
echo \$? > /mnt/share/.status
sync
echo o > /proc/sysrq-trigger; sleep 60
GUEST
if [ -n "$BUILD_ONLY" ]; then exit 0; fi
[ $# -gt 0 ] || { echo "no command" >&2; exit 2; }
rm -f "$SHARE/.status" "$SHARE/.booted"
if [ $# -eq 1 ]; then printf '%s\n' "$1"; else printf '%q ' "$@"; fi > "$SHARE/.command"

# 5. boot; ttyS0 is the kernel's log, ttyS1 the command's output
: > console.log
timeout "$TIMEOUT" nice -n 10 qemu-system-x86_64 -accel tcg,thread=multi -cpu max -smp "$SMP" -m "$MEM" -M pc -nodefaults -display none -no-reboot \
  -kernel "k/boot/vmlinuz-$KV" -initrd initrd.gz -append "console=ttyS0 quiet panic=-1 mitigations=off tsc=reliable no_timer_check" \
  -serial file:console.log -serial stdio \
  -virtfs local,path=/,mount_tag=hostroot,security_model=none,readonly=on,multidevs=remap \
  -virtfs "local,path=$SHARE,mount_tag=share,security_model=none,multidevs=remap" \
  -object can-bus,id=canbus0 -object can-bus,id=canbus1 \
  -device kvaser_pci,canbus=canbus0,id=kv0 -device kvaser_pci,canbus=canbus0,id=kv1 \
  -device kvaser_pci,canbus=canbus1,id=kv2 -device kvaser_pci,canbus=canbus1,id=kv3 \
  ${QEMU_MORE:-} </dev/null || true
if [ ! -s "$SHARE/.status" ]; then echo "controllers.sh: the guest gave no exit status; see $QEMU_DIR/console.log" >&2; tail -5 console.log >&2; exit 125; fi
exit "$(cat "$SHARE/.status")"
