// Package handover keeps the frame of an operation, the incident, and builds the
// page by which one crew hands the link over to the next.
//
// It is pure: the incident, the agent's picture, the record and the present come
// in as values; a Page comes out, which HTML, Markdown and its JSON tags render.
//
// # Rules
//
// What a person did not fill in prints as "not recorded", what the agent could not
// tell as "not known" or "not measured", never as blank. Every figure
// stands with its range, count or age. Times are 24-hour, local and UTC. A time
// stamped while the board's clock was wrong is put right from a later record of
// the same boot where there is one, and is marked "~"; one that cannot be put
// right is marked "?".
//
// Without Full the page is held to one sheet, A4 or Letter, by an estimate of the
// lines it takes: the log and what was measured of the link give way first, and the
// page says how many lines are left out. The answer, open alarms and what to do about
// them never give way, even where they take a second sheet.
//
// # Sources
//
// Blocks carry the numbers of the public-domain incident forms ICS 201, 205 and 214
// where they hold the same thing; the rest of the layout is our own. The cautions
// are those of package plan.
package handover
