"""What a reading, a tick or a report decides about a jar: `step` is the one function that every item goes through.

    step -> surface (lid, hand, away) -> level_shift (was that a feeding?)
         -> rise_and_fall (a bin closes: rise, peak, fall) -> fall: WHERE THE FALL IS DECIDED
         -> timeouts (what time alone decides), reports (what people say)

`state` is a jar's whole memory, `jar_state` what others are shown of it.
"""
