"""A virtual stage: wedge, mic and room in a closed loop in the time domain."""
