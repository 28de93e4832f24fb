"""Takes what clients send: each function is one unit of work that keeps all of it or, refused, only the refusal."""
