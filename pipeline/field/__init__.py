"""What goes out to the benches and comes in from them."""
