# Tells what a guest was given: the size of its disk and the profile.
#
#   whoami.sh DEVICE PROFILE
set -e
echo "profile $2 has $(cat "/sys/block/${1#/dev/}/size") sectors"
dd if=/dev/urandom of="$1" bs=64k count=1 oflag=direct 2> /dev/null
