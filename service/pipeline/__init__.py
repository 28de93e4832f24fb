"""Takes in what clients send: each function here is one unit of work of the store, kept whole or not at all."""
