# Reference values for hazards per session, made with R. Run in this folder: Rscript make_reference.R
# Reads data/*.csv only, writes reference.json. CI never runs R.
suppressMessages({library(survival); library(clubSandwich); library(jsonlite)})
s <- read.csv("data/sessions.csv")
k <- read.csv("data/clients.csv")
out <- list(versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                            survival = as.character(packageVersion("survival")),
                            clubSandwich = as.character(packageVersion("clubSandwich"))))
control <- glm.control(epsilon = 1e-14, maxit = 100)
link <- binomial(link = "cloglog")
strata <- glm(last ~ exposed + recent + factor(trainer), family = link, data = s, control = control)
out$strata <- list(coefficient = unname(coef(strata)[2:3]), standard_error = unname(sqrt(diag(vcov(strata)))[2:3]),
                   log_likelihood = as.numeric(logLik(strata)))
plain <- glm(last ~ exposed + recent, family = link, data = s, control = control)
by <- function(cluster) {
  v <- vcovCR(plain, cluster = cluster, type = "CR2")
  t <- coef_test(plain, vcov = v, test = "Satterthwaite")
  list(standard_error = sqrt(diag(as.matrix(v)))[2:3], degrees_of_freedom = t$df_Satt[2:3],
       uncorrected = unname(sqrt(diag(as.matrix(vcovCR(plain, cluster = cluster, type = "CR0"))))[2:3]))
}
out$plain <- list(coefficient = unname(coef(plain)[2:3]), by_client = lapply(by(s$client), unname),
                  by_trainer = lapply(by(s$trainer), unname))

cox <- function(fit) list(coefficient = unname(coef(fit)), standard_error = unname(sqrt(diag(fit$naive.var))),
                          robust_standard_error = unname(sqrt(diag(fit$var))), log_likelihood = fit$loglik)
r <- subset(s, stop > start)  # two sessions judged on one day close one interval
out$cox_rows <- nrow(r)
for (ties in c("efron", "breslow"))
  out[[paste0("cox_", ties)]] <- cox(coxph(Surv(start, stop, last) ~ exposed + recent + strata(trainer) + cluster(client),
                                           data = r, ties = ties))

late <- survfit(Surv(entry, time, event) ~ 1, data = k, conf.type = "log-log")
a <- summary(late, times = c(60, 120, 182), extend = TRUE)
out$curve <- list(survival = a$surv, standard_error = a$std.err, at_risk = a$n.risk)
later <- survfit(Surv(entry, time, event) ~ 1, data = k, conf.type = "log-log", start.time = 56.5)  # departures on day 56 itself are not in it
b <- summary(later, times = c(120, 182), extend = TRUE)
out$curve_from_56 <- list(survival = b$surv, standard_error = b$std.err)
m <- summary(late, rmean = 182)$table
out$restricted_mean <- unname(c(m["rmean"], m["se(rmean)"]))
writeLines(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE), "reference.json")
