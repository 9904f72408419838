# A disk of which two sectors, at 72 KiB, cannot be read until they are written.
#
#   media.sh DEVICE
device=$1
set -e

# Past the page cache, and durable: a drive can always read what its cache holds.
write() { dd if=/tmp/data of="$device" bs=64k oflag=direct conv=fsync 2> /dev/null; }

look() { # KIB COUNT
    if dd if="$device" of=/tmp/found bs=8k skip=$(($1 / 8)) count="$2" iflag=direct 2> /dev/null; then
        dd if=/tmp/data bs=8k skip=$(($1 / 8)) count="$2" 2> /dev/null | cmp - /tmp/found && echo as written
    else
        echo unreadable
    fi
}

dd if=/dev/urandom of=/tmp/data bs=64k count=4 2> /dev/null
write
echo break
read -r answer
[ "$answer" = done ]
echo "before them: $(look 0 9)"
echo "they: $(look 72 1)"
echo "after them: $(look 80 22)"
write
echo "written again: $(look 0 32)"
dmesg | grep -E 'sda|I/O error' || true
echo done
