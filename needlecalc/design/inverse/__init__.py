"""The inverse: the needle asked for, how sure, in which stages, and what to measure next."""
