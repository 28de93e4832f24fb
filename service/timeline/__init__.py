"""The timeline: from the times that clocks showed to times on the reference clock; pure functions."""
