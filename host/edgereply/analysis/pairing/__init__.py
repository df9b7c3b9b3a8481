"""Which answer belongs to which stimulus. `docs/matching.md` explains the method and names its sources.

In the order in which a run goes through them:

- `alignment`: stimuli and the board's own edge stamps, pulse by pulse, by two clocks that share nothing.
  `hypotheses` says which pulses may be the same, `clock` follows the offset along the run, `likelihood` is the scale by
  which hypotheses are compared with their `rivals`.
- `assignment`: the board's rows foretell when each response must rise; rises are given to rows by that.
- `matching`: two trains on one clock, once it is known where each stamp should be; both steps above end in it.
  `residual_likelihood` says what a stamp may be, `posterior` settles the stretches where stamps compete.
- `one_clock`: order, window and usual reaction, where no row speaks. `usual_reaction` finds the usual reaction,
  `stretches` cuts a run at its certain pairs, `reaction_likelihood` weighs what counting leaves open.
- `result`: what all of them give. `observed`: what of a recording of limited length may be judged.
- `glitches`: pulses too short to be meant.
"""
