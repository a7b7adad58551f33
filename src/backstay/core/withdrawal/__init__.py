"""The way back out: pull, edges that catch, a trapped wire, how far the guide is drawn in, and what jumps when a resistance yields."""
