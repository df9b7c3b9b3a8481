#!/bin/sh
# The reject gate in the shell, through sysfs: sh responder.sh CHIP INPUT OUTPUT COUNT
#
# The shell has no ioctl and cannot sleep until an edge comes: it reads the level again and again. That takes a whole
# processor, and misses every pulse that is shorter than a look. No program is started in the loop.
set -eu
[ $# -eq 4 ] || { echo "usage: sh responder.sh CHIP INPUT OUTPUT COUNT" >&2; exit 2; }
gpio=/sys/class/gpio
set -- "$1" "$2" "$3" "$4" "/sys/bus/gpio/devices/${1##*/}"/../gpio/gpiochip*/base
read -r base < "$5"
input=$gpio/gpio$((base + $2)) output=$gpio/gpio$((base + $3)) left=$4

for number in $((base + $2)) $((base + $3)); do
	[ -e $gpio/gpio$number ] || echo $number > $gpio/export
	tries=0
	# an exported line gets its owner a moment after its files are there
	until [ -w $gpio/gpio$number/direction ] && [ -w $gpio/gpio$number/value ]; do
		tries=$((tries + 1))
		[ $tries -lt 100 ] || { echo "$gpio/gpio$number cannot be written" >&2; exit 3; }
		sleep 0.1
	done
done
echo low > "$output/direction"
echo in > "$input/direction"
before=1
echo ready >&2
while [ "$left" -gt 0 ]; do
	read -r now < "$input/value"
	case $before$now in
	01)
		echo 1 > "$output/value"
		echo 0 > "$output/value"
		left=$((left - 1))
		;;
	esac
	before=$now
done
