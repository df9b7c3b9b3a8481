#ifndef RESPONDER_H
#define RESPONDER_H

/* A board under test without a board: answers each stimulus by rule. */

#include "core.h"

/* Changes settings from "name=value ..." text; returns false for an unknown name. Cycles throughout:
 *   on          1 answers, 0 stays silent
 *   jumper      1 is a wire from stimulus to response with the delay delay_min; nothing below matters
 *   inverted    1 answers the falling edge of the stimulus
 *   delay_min, delay_max   reaction time, uniform between them
 *   width       of the answer
 *   miss_every  no answer to each n-th stimulus
 *   twice_every a second answer, gap cycles after the first, to each n-th
 *   gap
 *   short_every, short_width   each n-th answer is so short
 *   seed        of the delays */
bool responder_set(char *text);

/* Takes note of a stimulus edge and lets the answer appear on the source's input. */
void responder_stimulus(struct core *source, bool level, uint64_t cycle);

#endif
