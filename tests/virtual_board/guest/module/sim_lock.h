/* SPDX-License-Identifier: MIT OR GPL-2.0
 *
 * Goes before gpio-sim.c at build time. The driver guards its maps with a mutex; a jumper wire and a timer-driven
 * stimulus have to change a pull where nothing may sleep. Its critical sections are a few instructions long, so a
 * raw spin lock does.
 */
#ifndef EDGEREPLY_SIM_LOCK_H
#define EDGEREPLY_SIM_LOCK_H

#include <linux/spinlock.h>

struct sim_lock {
	raw_spinlock_t raw;
	unsigned long flags; /* written by the holder only */
};

static inline void sim_lock_init(struct sim_lock *lock)
{
	raw_spin_lock_init(&lock->raw);
}

static inline void sim_lock(struct sim_lock *lock)
{
	unsigned long flags;

	raw_spin_lock_irqsave(&lock->raw, flags);
	lock->flags = flags;
}

static inline void sim_unlock(struct sim_lock *lock)
{
	raw_spin_unlock_irqrestore(&lock->raw, lock->flags);
}

#endif
