"""From what a client sent to a record that can be kept: everything wrong with it is said at once."""
