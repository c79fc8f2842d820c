#!/usr/bin/env bash
# Records real drivers of the Linux kernel: starts a virtual machine with Debian's kernel, whose
# i2c-stub module carries the chips lm75 and adt7475 with their own drivers, and reads them with
# the program. In the middle of a recording both chips are taken away and come back under each
# other's numbers. Fails unless the samples show all of that.
#
# Needs Debian or a relative with qemu-system-x86, about 80 MB to download (the kernel and
# busybox, unpacked in a temporary folder, nothing is installed), and some minutes: the virtual
# machine is emulated in full.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
exec </dev/null

program=${1:-target/debug/settlepoint}

stop() {
    printf 'scripts/real-sensors.sh: %s\n' "$1" >&2
    exit 2
}

command -v qemu-system-x86_64 >/dev/null || stop "install qemu-system-x86"
command -v apt-get >/dev/null || stop "this needs apt-get, to fetch a kernel"
[ -x "$program" ] || stop "build the program first: cargo build -p settlepoint-cli"
program=$(realpath "$program")

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch"

# The newest kernel of the distribution, without installing it.
kernel=$(apt-cache depends linux-image-amd64 | sed -n 's/.*Depends: \(linux-image-[^ ]*\).*/\1/p' | head -1)
[ -n "$kernel" ] || stop "apt-cache knows no linux-image-amd64; run apt-get update"
apt-get download "$kernel" busybox-static >download.txt 2>&1 || stop "$(cat download.txt)"
for package in ./*.deb; do
    dpkg -x "$package" packages
done

mkdir -p guest/{bin,proc,sys,dev,tmp,modules}
busybox=$(find packages -type f -path '*/bin/busybox' | head -1)
cp "$busybox" guest/bin/busybox
cp "$program" guest/bin/settlepoint
strip guest/bin/settlepoint
# The program's libraries, at the places where its loader looks for them.
ldd "$program" | grep -o '/[^ ]*' | while read -r library; do
    mkdir -p "guest$(dirname "$library")"
    cp "$library" "guest$library"
done
for module in i2c-dev i2c-stub hwmon-vid lm75 adt7475; do
    find packages -name "$module.ko*" -exec cp {} guest/modules/ \;
done
if ls guest/modules/*.xz >/dev/null 2>&1; then
    xz -d guest/modules/*.xz
fi

cat >guest/init <<'END'
#!/bin/busybox sh
/bin/busybox --install -s /bin
export PATH=/bin HOME=/tmp
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tmpfs tmp /tmp
cd /tmp
insmod /modules/i2c-dev.ko
insmod /modules/i2c-stub.ko chip_addr=0x48,0x2e
insmod /modules/hwmon-vid.ko
insmod /modules/lm75.ko
insmod /modules/adt7475.ko
for folder in /sys/bus/i2c/devices/i2c-*; do
    grep -q -i stub "$folder/name" && bus=${folder##*-}
done
add() { echo "$1" > "/sys/bus/i2c/devices/i2c-$bus/new_device"; }
remove() { echo "$1" > "/sys/bus/i2c/devices/i2c-$bus/delete_device"; }
# 30 °C in the LM75's register (11 bits from the top, big-endian); 45 °C in two's complement and
# 5400 counts of the tachometer, which are 1000 rpm at 90 kHz, in the ADT7475's.
i2cset -y -f "$bus" 0x48 0 0x001e w
i2cset -y -f "$bus" 0x2e 0x7c 1 b
i2cset -y -f "$bus" 0x2e 0x25 45 b
i2cset -y -f "$bus" 0x2e 0x28 0x18 b
i2cset -y -f "$bus" 0x2e 0x29 0x15 b
add "lm75 0x48"
add "adt7475 0x2e"
settlepoint channels
settlepoint new a.settle
(
    sleep 4
    i2cset -y -f "$bus" 0x48 0 0x0028 w
    sleep 4
    remove 0x48
    remove 0x2e
    sleep 3
    add "adt7475 0x2e"
    add "lm75 0x48"
) &
settlepoint record a.settle --load branch,cores=1 --rest-before 2 --for 18 --rest-after 1 --name real 2>/dev/null
settlepoint export a.settle --to out --as csv >/dev/null
settlepoint review a.settle
for file in out/log-*.csv; do
    echo "samples begin"
    cat "$file"
    echo "samples end"
done
poweroff -f
END
chmod +x guest/init
(cd guest && find . | ./bin/busybox cpio -o -H newc 2>/dev/null | gzip -1 >../initrd.gz) ||
    stop "the virtual machine's files could not be packed"

image=$(find packages -name 'vmlinuz-*' | head -1)
timeout 900 qemu-system-x86_64 -accel tcg,thread=multi -cpu max -smp 2 -m 1024 \
    -kernel "$image" -initrd initrd.gz -nographic -no-reboot \
    -append "console=ttyS0 quiet panic=1 rdinit=/init" | tr -d '\r' >guest.txt || true

sed -n '/^samples begin/,/^samples end/p' guest.txt | sed '1d;$d' >samples.csv
[ -s samples.csv ] || { tail -40 guest.txt >&2; stop "the virtual machine brought no samples"; }
grep -v '^samples' guest.txt | sed -n '/^role/,/^made/p'
grep -h -E '^(warning unread_sensor|note sensor_moved)' guest.txt | sort -u

# Before, while and after the chips were away; times are the log's.
awk -F, '
    NR == 1 {
        for (i = 1; i <= NF; i++) {
            if ($i ~ /^lm75 temp1/) lm = i
            if ($i ~ /^adt7475 temp1/) adt = i
            if ($i ~ /^adt7475 fan1/) fan = i
        }
        next
    }
    $lm == "" && $fan == "" { away++; next }
    $lm == 30 && $adt == 45 && $fan == 1000 && !away { cool++ }
    $lm == 40 && $fan == 1000 && !away { warm++ }
    $lm == 40 && $adt == 45 && $fan == 1000 && away { back++ }
    END {
        printf "%d rows at 30 °C, %d at 40 °C, %d with the chips away, %d with them back\n", cool, warm, away, back
        exit !(cool > 10 && warm > 10 && away > 10 && back > 10)
    }' samples.csv || stop "the samples do not show what the chips did"
