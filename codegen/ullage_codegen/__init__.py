"""What is written out for others from a protocol's layouts. Reads the table of `ullage.layout`; computes no offsets."""
