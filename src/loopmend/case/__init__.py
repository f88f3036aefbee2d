"""What is known of one trouble: decide(state, request) gives events, replay(events) gives the state."""
