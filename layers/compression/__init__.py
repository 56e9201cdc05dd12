"""A ball between flat plates, and the spring-type tester."""
