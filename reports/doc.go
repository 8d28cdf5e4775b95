// Package reports turns ranked lists into what people read: pictures, letters and tables, and sees to it that the
// letters of a schedule leave once, at the depot's own time, whatever crashes meanwhile.
//
// [Compose] makes the view model of the winter list from forecasts; [Letters] renders it as mail, text and HTML saying the
// same. [Reserve], [Cranking] and [Ladder] draw. [Scheduler] queues what is due and [Postman] delivers what is queued;
// both reach the database through the narrow interfaces declared beside them. The package holds no SQL and no formulas,
// and asks nobody but the caller for the time. Degrees are Celsius, volts those of the whole system.
package reports
