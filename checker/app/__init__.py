"""What a command does from start to end: run, many boards, outputs, cache, draft."""
