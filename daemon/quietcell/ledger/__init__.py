"""The durable record: journal, readings files, chain, and what follows them."""
