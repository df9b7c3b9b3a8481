#ifndef RUN_H
#define RUN_H

/* One run: COUNt stimuli by the arrival pattern, responses captured, a time mark at each end and in between. */

#include <stdbool.h>

/* Starts a run with the present settings, which must agree. */
void run_start(void);

/* Ends the run now: line idle, capture off. */
void run_abort(void);

/* Keeps the plan filled, sets time marks and notices the end; call it often. */
void run_poll(void);

bool run_active(void);

/* Whether a run was started since the last reset. */
bool run_ever_started(void);
void run_forget_start(void);

#endif
