# An array of the guest's drives, through a stall of one, the loss of one, and a rebuild.
#
#   array.sh LEVEL DRIVES    the first DRIVES are members, the next one is a spare
#
# Says what is to be done to the second drive, and goes on when it was told that this is done.
level=$1 drives=$2
set -e

state() { grep -A 1 '^md0' /proc/mdstat | sed -n 's/.*\[\([U_]*\)\]$/\1/p'; }

write() { # NAME
    dd if=/dev/urandom of="/tmp/$1" bs=64k count=32 2> /dev/null
    dd if="/tmp/$1" of="/mnt/$1" bs=64k conv=fsync 2> /dev/null
}

verify() {
    echo 3 > /proc/sys/vm/drop_caches
    for name in "$@"; do
        cmp "/tmp/$name" "/mnt/$name"
    done
}

done_by_test() { # WHAT
    echo "$1"
    read -r answer
    [ "$answer" = done ]
}

modprobe "raid$level" 2> /dev/null || modprobe raid456
members= letters=abcdef
for at in $(seq 0 $((drives - 1))); do
    members="$members /dev/vd$(echo $letters | cut -c $((at + 1)))"
done
spare=/dev/vd$(echo $letters | cut -c $((drives + 1)))
# shellcheck disable=SC2086
yes | mdadm --create /dev/md0 --level="$level" --raid-devices="$drives" --size=49152 --metadata=1.2 \
    --bitmap=internal $members 2>&1
mdadm --wait /dev/md0 || true
mkfs.ext4 -q /dev/md0
mount -t ext4 /dev/md0 /mnt
write before
echo "array: $(state)"

# A drive that answers nothing for a while: whatever needs it waits, and nothing is lost.
done_by_test stall
{ write stalled && touch /tmp/ended; } &
# It cannot end, however long this lasts; two seconds would do for a write that waits for nobody.
sleep 2
[ ! -e /tmp/ended ]
echo "waits for: $members"
done_by_test resume
wait $!
verify before stalled
echo "after the stall: $(state)"

# A drive that is gone.
done_by_test lose
write degraded
verify before stalled degraded
echo "after the loss: $(state)"

mdadm /dev/md0 --add "$spare" 2>&1
mdadm --wait /dev/md0 || true
echo "rebuilt: $(state)"
verify before stalled degraded
write after
umount /mnt
echo check > /sys/block/md0/md/sync_action
mdadm --wait /dev/md0 || true
echo "mismatches: $(cat /sys/block/md0/md/mismatch_cnt)"
mdadm --stop /dev/md0 2>&1
# From the members alone, without the one that was lost.
# shellcheck disable=SC2086
mdadm --assemble /dev/md0 --run $(echo $members | sed 's,/dev/vdb,,') "$spare" 2>&1
e2fsck -f -n /dev/md0
mount -t ext4 /dev/md0 /mnt
verify before stalled degraded after
umount /mnt
mdadm --stop /dev/md0 2>&1
dmesg | grep -E 'md0|vdb|raid' || true
echo done
