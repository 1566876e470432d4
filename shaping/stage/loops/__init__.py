"""All loops of a stage as one matrix: margins, what decides, cuts chosen jointly."""
