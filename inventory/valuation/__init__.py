"""What stock is worth: FIFO or moving average, landed cost, conserved to the last digit; pure."""
