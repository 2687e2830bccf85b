// Package signal tells alarms to whoever is near, without any network, by a buzzer
// and a lamp on GPIO lines.
//
// # What is heard
//
// Beeps are short (0.15 s) or long (0.9 s). One long beep and some short ones make a
// call. Where the long one stands tells how urgent it is, and the number of
// short ones tells what it is:
//
//	alarm               call                            lamp
//	pack_at_cutoff      LONG short                      two flashes a second
//	shut_terminal_down  LONG short short                two flashes a second
//	link_down           LONG short short short          two flashes a second
//	other critical      LONG and five short             two flashes a second
//	bring_next_pack     short LONG                      1 s on, 1 s off
//	sensor_stale        short short LONG                1 s on, 1 s off
//	hop_down            short short short LONG          1 s on, 1 s off
//	other warning       five short and LONG             1 s on, 1 s off
//	any notice          none                            a blink every 5 s
//	acknowledged        none                            a blink every 5 s
//	self-test           LONG short LONG                 lit for 3 s
//
// LONG first: act now. LONG last: act soon.
//
// A critical call is repeated every 15 s, after 5 min every minute; a warning every
// 5 min; both until the alarm is acknowledged or ends. When the quiet of an
// acknowledgement is over they begin anew. While a critical
// alarm waits, no warning is sounded between its calls. In quiet hours a warning
// is sounded once and then left to the lamp; critical calls go on, since nothing
// critical can wait for the morning. Quiet hours do not count while the clock is not set.
//
// No call can be taken for an evacuation signal, which is three equal beeps of
// half a second, or for a carbon monoxide alarm's four equal short ones: each
// call has exactly one beep, or in the self-test two, of another length. The lamp stays
// below three flashes a second.
//
// # Failures
//
// Publish never blocks. A line that cannot be set is counted in the status and
// tried again with the next beep; a line that hangs holds up its own output only.
//
// # Sources
//
// Temporal patterns of evacuation and carbon monoxide signals: ISO 8201 and NFPA 72,
// from memory. Flashes: WCAG 2.2, success criterion 2.3.1 (no more than three in a
// second). The calls and their repetition: our own.
package signal
