"""How two pictures of the same lie against one another: arithmetic that several families share, and no stage."""
