"""In-ear feeds: from recordings of packs' outputs to what is wrong with each."""
