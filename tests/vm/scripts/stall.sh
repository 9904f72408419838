# A disk that answers nothing for longer than the kernel waits.
#
#   stall.sh SECONDS    the limit of the kernel for a command; - is the kernel's own
#
# What the kernel says of it goes to its log. Afterwards the disk has to work as before.
set -e

[ "$1" = - ] || echo "$1" > /sys/block/sda/device/timeout
echo "limit: $(cat /sys/block/sda/device/timeout)"
dd if=/dev/urandom of=/tmp/data bs=4k count=64 2> /dev/null
echo stall
read -r answer
[ "$answer" = done ]
read -r before rest < /proc/uptime
# Not through the page cache, so that its fate is known.
dd if=/tmp/data of=/dev/sda bs=256k count=1 oflag=direct 2> /dev/null && outcome=written || outcome=failed
read -r after rest < /proc/uptime
echo "outcome: $outcome"
echo "took: $((${after%.*} - ${before%.*}))"
echo "state: $(cat /sys/block/sda/device/state)"

# Whatever became of that, the same is written again and found.
dd if=/tmp/data of=/dev/sda bs=256k count=1 oflag=direct 2> /dev/null
echo 3 > /proc/sys/vm/drop_caches
dd if=/dev/sda of=/tmp/found bs=256k count=1 2> /dev/null
cmp /tmp/data /tmp/found
blkdiscard -o 0 -l 262144 /dev/sda
dd if=/dev/sda of=/tmp/found bs=256k count=1 iflag=direct 2> /dev/null
dd if=/dev/zero bs=256k count=1 2> /dev/null | cmp - /tmp/found
echo done
