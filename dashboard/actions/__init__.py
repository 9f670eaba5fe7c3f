"""What a person did, from the choice on a page to the message that the monitor gets."""
