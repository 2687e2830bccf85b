package agent

// The keys of the log, in one place so that they can be searched for.
const (
	logSubject = "subject" // the pack or target it is about
	logTarget  = "target"
	logAlarm   = "alarm"
	logID      = "alarm_id"
	logKind    = "kind"
	logAction  = "action"
	logWhy     = "why"
)
