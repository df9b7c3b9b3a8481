#ifndef MESSAGES_H
#define MESSAGES_H

/* Received bytes become messages, and messages become single commands. */

/* Takes what has arrived and obeys at most one command; call it often. */
void messages_poll(void);

#endif
