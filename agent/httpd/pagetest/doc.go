// Package pagetest holds the tests of the status page in a real browser, headless
// Chromium, against candlemark demo. It is a package of its own because the
// browser's protocol takes longer to compile than everything else in httpd, and so
// that nothing of it can get into the program.
package pagetest
