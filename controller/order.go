package controller

// Order is a command with what only the shell needs: who asks, and why. The reason goes into the record; a technician's
// reset is refused without one.
type Order struct {
	Command
	Reason string
	Who    Person
}

// Person says who asked.
type Person struct {
	Name string // of the account, or of a contact ("panel"); empty: not known
	UID  uint32 // of the peer of the socket
	PID  int32  // of the peer of the socket; 0: not known
}

// File is a file that a person wrote, by name and content, so that a fault can be told with file and line wherever it is
// found.
type File struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// ChargeFiles is what starts a charge: the sheet, and the schedules that it names.
type ChargeFiles struct {
	Charge    File   `json:"charge"`
	Schedules []File `json:"schedules"`
}

// Answer is a reply in words.
type Answer struct {
	Reply Reply
	Text  string // one sentence: what was done, or why not
}
