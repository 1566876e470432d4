"""What a person says of a stage: its file, what is dialled in, what-ifs."""
