"""Week to week: what changed on a stage, and which settings still hold."""
