"""Playing, recording and watching from the laptop at the desk, with PortAudio."""
