# A filesystem on a drive of the guest: makes it, works on it until the power fails, looks at what is left.
#
#   files.sh FILESYSTEM DEVICE|PORT make|work|look SEED
#
# What it does to files it tells line by line, for the ledger of the test.
filesystem=$1 device=$2 what=$3 seed=$4
set -e

case $device in
    /*) ;;
    *)
        nbd-client 10.0.2.2 "$device" /dev/nbd0 > /dev/null
        device=/dev/nbd0
        ;;
esac

make() {
    case $filesystem in
        ext4) mkfs.ext4 -q "$device" ;;
        xfs) mkfs.xfs -q -f "$device" ;;
        btrfs) mkfs.btrfs -q -f "$device" ;;
        f2fs) mkfs.f2fs -q -f "$device" ;;
    esac
}

check() {
    case $filesystem in
        ext4) e2fsck -f -n "$device" ;;
        xfs) xfs_repair -n "$device" ;;
        btrfs) btrfs check --readonly --check-data-csum "$device" ;;
        f2fs) fsck.f2fs --dry-run "$device" ;;
    esac
}

sum() {
    if [ -e "$1" ]; then
        md5sum < "$1" | cut -d " " -f 1
    else
        echo -
    fi
}

# A number below $1; the same ones for the same seed.
RANDOM=$seed
below() {
    drawn=$((RANDOM % $1))
}

fresh() { # KIB
    dd if=/dev/urandom of=/tmp/fresh bs=1k count="$1" 2> /dev/null
}

# What each file has to hold is kept outside of the filesystem, in /tmp/kept.
change() {
    below 20
    file=f$drawn kept=/tmp/kept/f$drawn now=/mnt/files/f$drawn
    below 10
    if [ ! -e $kept ]; then
        below 200
        fresh $((drawn + 1))
        mv /tmp/fresh $kept
        echo "begin create $file $(sum $kept)"
        dd if=$kept of=$now bs=64k conv=fsync 2> /dev/null
    elif [ $drawn -lt 4 ]; then
        blocks=$(($(stat -c %s $kept) / 1024))
        below $blocks
        at=$drawn
        below $((blocks - at))
        fresh $((drawn + 1))
        dd if=/tmp/fresh of=$kept bs=1k seek=$at conv=notrunc 2> /dev/null
        echo "begin overwrite $file $(sum $kept)"
        dd if=/tmp/fresh of=$now bs=1k seek=$at conv=notrunc,fsync 2> /dev/null
    elif [ $drawn -lt 6 ]; then
        below 40
        fresh $((drawn + 1))
        cat /tmp/fresh >> $kept
        echo "begin append $file $(sum $kept)"
        dd if=/tmp/fresh of=$now bs=1k seek=$(($(stat -c %s $now) / 1024)) conv=notrunc,fsync 2> /dev/null
    elif [ $drawn -lt 9 ]; then
        below 100
        fresh $((drawn + 1))
        cp /tmp/fresh $kept
        echo "begin replace $file $(sum $kept)"
        dd if=$kept of=/mnt/new bs=64k conv=fsync 2> /dev/null
        mv /mnt/new $now
        sync /mnt/files
    else
        rm $kept
        echo "begin delete $file -"
        rm $now
        sync /mnt/files
    fi
    echo "synced $file $(sum $kept)"
}

look() {
    for now in /mnt/files/*; do
        [ ! -e "$now" ] || echo "holds ${now##*/} $(sum "$now")"
    done
}

# Where it fails, the kernel knows why.
trap '[ $? = 0 ] || { dmesg | grep -m 3 "I/O error" || true; dmesg | tail -n 20; }' EXIT

mkdir -p /tmp/kept
if [ "$what" = make ]; then
    make
fi
mount -t "$filesystem" "$device" /mnt
mkdir -p /mnt/files
sync /mnt
if [ "$what" != make ]; then
    look
    umount /mnt
    check
    mount -t "$filesystem" "$device" /mnt
    cp /mnt/files/* /tmp/kept/ 2> /dev/null || true
fi
echo ready
if [ "$what" = look ]; then
    rm -r /mnt/files
    sync
    fstrim -v /mnt
    umount /mnt
    check
    echo done
    exit 0
fi
while true; do
    # Something nobody waits for is always under way beside it.
    below 50
    dd if=/dev/urandom of=/mnt/noise bs=4k count=1 seek=$drawn conv=notrunc 2> /dev/null
    change
done
