"""From sensors to a rack's air: what is evidence, what counts, minute by minute."""
