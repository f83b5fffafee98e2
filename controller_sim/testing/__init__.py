"""Random designs, random contact histories, and the comparison of two engines over them."""
