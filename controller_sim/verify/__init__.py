"""What would go wrong on stage: properties of every design, watched while random feet play it."""
