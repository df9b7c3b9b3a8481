#ifndef CONTROL_H
#define CONTROL_H

/* The commands that start, end and wait for runs. */

#include "commands.h"

void control_initiate(const struct call *call);
void control_read(const struct call *call);
void control_fetch(const struct call *call);
void control_abort(const struct call *call);
void control_reset(const struct call *call);
void control_opc(const struct call *call);
void control_wait(const struct call *call);

/* True while *OPC? has not answered yet. */
bool control_opc_waits(void);
void control_opc_forget(void);

/* True while *WAI holds back the commands behind it. */
bool control_held(void);

/* Answers *OPC?, reports *OPC and lets go of *WAI when the run is over. */
void control_poll(void);

void control_device_clear(void);

#endif
