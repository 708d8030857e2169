"""How buds take, how plants are lost, what is ahead."""
