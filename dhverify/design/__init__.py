"""What the next season needs: marker sets, and plans with their costs."""
