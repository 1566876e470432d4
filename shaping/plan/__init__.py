"""From findings to settings an equaliser can be dialled to."""
