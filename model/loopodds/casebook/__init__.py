"""One case over time: events, replay, answers, exports."""
