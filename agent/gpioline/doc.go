// Package gpioline takes single lines of a GPIO chip as outputs, through the
// kernel's character device, version 2 of its interface (Linux 5.10 and newer).
//
// It exists beside periph's gpioioctl for two things that a switch in a
// feed can't do without. A line is requested together with its first level, in
// one call, so that taking it over never makes a pulse at the other level; requested
// and set in two steps, an energised contact would open for the time in between at
// every start of the agent. And an output can be read back without being turned
// into an input, which would let go of the contact. A Line is a gpio.PinOut, so everything
// above it is tested with periph's gpiotest.
//
// When a Line is closed, or its process dies, the kernel frees the line. What
// the pin does then is up to the chip's driver: most leave it as it was, some
// make it an input.
//
// Sources: Linux kernel, Documentation/userspace-api/gpio/chardev.rst and
// include/uapi/linux/gpio.h.
package gpioline
