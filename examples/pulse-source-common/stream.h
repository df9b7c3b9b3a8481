#ifndef STREAM_H
#define STREAM_H

/* Records as definite-length blocks (IEEE 488.2, 8.7.9): one for FETCh?, many for READ?. */

#include <stdbool.h>

/* Answers FETCh?: one block with what is buffered, at most 18 records. */
void stream_send_one(void);

/* Sends the empty block that says there is nothing (more). */
void stream_send_empty(void);

/* READ? has begun: blocks go out by stream_poll() until the run is over and the buffer empty. */
void stream_begin(void);
void stream_poll(void);
bool stream_active(void);

#endif
