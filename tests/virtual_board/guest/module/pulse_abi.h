/* SPDX-License-Identifier: MIT OR GPL-2.0
 *
 * Between the bench module and the pulse source's daemon. One tick is one nanosecond.
 */
#ifndef EDGEREPLY_PULSE_ABI_H
#define EDGEREPLY_PULSE_ABI_H

#include <linux/ioctl.h>
#include <linux/types.h>

#define PULSE_DEVICE "edgereply-pulse"
#define PULSE_TICK_HZ 1000000000ULL

enum { ARRIVAL_PERIODIC, ARRIVAL_UNIFORM, ARRIVAL_EXPONENTIAL, ARRIVAL_PAIRS };

#define PULSE_SHORTEST_GAP 5000ULL /* of pairs: what the timer does in time */

enum { RECORD_STIMULUS = 1, RECORD_RISE, RECORD_FALL, RECORD_FALL_LOST, RECORD_MARK, RECORD_LOST };

/* read() gives whole records: 0 bytes when the run is over and all are read, EAGAIN when a run has none yet */
struct pulse_record {
	__u8 kind;
	__u8 value[4]; /* little-endian */
} __attribute__((packed));

struct pulse_plan {
	__u64 period;
	__u64 width;
	__u64 floor;
	__u64 spread;
	__u64 shortest_gap;
	__u64 longest_gap;
	__u32 count;
	__u32 seed;
	__u32 arrival;
	__u32 idle; /* level of the stimulus line between pulses */
};

#define PULSE_START _IOW('e', 1, struct pulse_plan)
#define PULSE_ABORT _IO('e', 2)
#define PULSE_IDLE _IOW('e', 3, __u32)	/* hold the stimulus line at this level */
#define PULSE_LEVEL _IOR('e', 4, __u32) /* level of the response input */
#define PULSE_RUNNING _IOR('e', 5, __u32) /* 1 until the run is over, 100 ms after its last pulse */

#endif
