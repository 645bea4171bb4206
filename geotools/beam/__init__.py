"""Pure numerics of the microwave barrier: arrays in, arrays out; no files, no coordinate systems, no printing."""
