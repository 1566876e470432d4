"""The user's stage: every mic in every wedge, margins of all loops together, joint plans."""
