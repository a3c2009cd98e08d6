"""The one pure step: readings, ticks and answers in, state and effects out."""
