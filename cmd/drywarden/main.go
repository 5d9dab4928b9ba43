// Command drywarden is the kiln controller: daemon, simulator, calculators and operator commands in one binary.
package main

func main() {}
