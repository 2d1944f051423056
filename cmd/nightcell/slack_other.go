//go:build !linux

package main

func easeTimers() {}
