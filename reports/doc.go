// Package reports turns ranked lists into what people read: pictures, letters and tables, and sees to it that the
// letters of a schedule leave once, at the depot's own time, whatever crashes meanwhile.
//
// A report is a [Kind]. [Desk] writes its letters, each telling what its reader may see, text and HTML saying the same.
// [Scheduler] queues what is due and [Postman] delivers what is queued; both reach the database through the narrow interfaces
// declared beside them. [Compose] makes the view model of the winter list; [Reserve], [Cranking] and [Ladder] draw. The package
// holds no SQL and no formulas, and asks nobody but the caller for the time. Degrees are Celsius, volts those of the whole system.
package reports
