"""Ring-outs: rises and falls of level, and the rings they tell."""
