"""The proof of a tank: marks of when valves were opened, and what the bus said around them, judged against stated limits."""
